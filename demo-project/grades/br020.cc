<?xml version="1.0" encoding="UTF-8"?>
<ColorCorrection xmlns="urn:ASC:CDL:v1.01" id="br020">
  <SOPNode>
    <Description>Match to br030 across the first clash.</Description>
    <Slope>1.08 1.04 1.02</Slope>
    <Offset>0 0 0</Offset>
    <Power>1.06 1.06 1.05</Power>
  </SOPNode>
  <SatNode>
    <Saturation>1</Saturation>
  </SatNode>
</ColorCorrection>
