<?xml version="1.0" encoding="UTF-8"?>
<ColorCorrection xmlns="urn:ASC:CDL:v1.01" id="br060">
  <SOPNode>
    <Description>Warmest of the film.</Description>
    <Slope>1.1 1.04 0.99</Slope>
    <Offset>-0.001 -0.001 -0.0005</Offset>
    <Power>1.08 1.09 1.07</Power>
  </SOPNode>
  <SatNode>
    <Saturation>1.05</Saturation>
  </SatNode>
</ColorCorrection>
