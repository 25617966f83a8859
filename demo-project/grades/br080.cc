<?xml version="1.0" encoding="UTF-8"?>
<ColorCorrection xmlns="urn:ASC:CDL:v1.01" id="br080">
  <SOPNode>
    <Description>Colour drains with the night.</Description>
    <Slope>0.96 1 1.08</Slope>
    <Offset>0 0.0005 0.001</Offset>
    <Power>1.03 1.02 1</Power>
  </SOPNode>
  <SatNode>
    <Saturation>0.85</Saturation>
  </SatNode>
</ColorCorrection>
