<?xml version="1.0" encoding="UTF-8"?>
<ColorCorrection xmlns="urn:ASC:CDL:v1.01" id="br040">
  <SOPNode>
    <Description>More contrast on the faces.</Description>
    <Slope>1.12 1.07 1.04</Slope>
    <Offset>0 0 0.0003</Offset>
    <Power>1.08 1.08 1.06</Power>
  </SOPNode>
  <SatNode>
    <Saturation>1.04</Saturation>
  </SatNode>
</ColorCorrection>
