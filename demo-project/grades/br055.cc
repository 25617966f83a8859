<?xml version="1.0" encoding="UTF-8"?>
<ColorCorrection xmlns="urn:ASC:CDL:v1.01" id="br055">
  <SOPNode>
    <Description>Quieter than the duel.</Description>
    <Slope>1.04 1.03 1.03</Slope>
    <Offset>0 0 0.0005</Offset>
    <Power>1.05 1.05 1.03</Power>
  </SOPNode>
  <SatNode>
    <Saturation>0.94</Saturation>
  </SatNode>
</ColorCorrection>
