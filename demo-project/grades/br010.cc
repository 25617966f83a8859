<?xml version="1.0" encoding="UTF-8"?>
<ColorCorrection xmlns="urn:ASC:CDL:v1.01" id="br010">
  <SOPNode>
    <Description>Lamplight first; leave the far gate cold.</Description>
    <Slope>1.06 1 0.96</Slope>
    <Offset>0 0 0.0005</Offset>
    <Power>1.04 1.05 1.03</Power>
  </SOPNode>
  <SatNode>
    <Saturation>0.95</Saturation>
  </SatNode>
</ColorCorrection>
