<?xml version="1.0" encoding="UTF-8"?>
<ColorCorrection xmlns="urn:ASC:CDL:v1.01" id="br070">
  <SOPNode>
    <Description>Cold water between two fights.</Description>
    <Slope>0.98 1.02 1.1</Slope>
    <Offset>0 0 0.001</Offset>
    <Power>1.05 1.04 1.02</Power>
  </SOPNode>
  <SatNode>
    <Saturation>0.92</Saturation>
  </SatNode>
</ColorCorrection>
