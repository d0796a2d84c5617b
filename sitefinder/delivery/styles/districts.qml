<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>
<qgis version="3.22.0" styleCategories="Symbology|Labeling">
 <!-- QGIS style of the layer districts: borders of districts. Aliases of columns are added on delivery. -->
 <renderer-v2 type="singleSymbol" symbollevels="0" forceraster="0" enableorderby="0">
  <symbols>
   <symbol type="fill" name="0" alpha="1" clip_to_extent="1">
    <layer class="SimpleFill" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="color" value="0,0,0,0" />
      <Option type="QString" name="style" value="no" />
      <Option type="QString" name="outline_color" value="125,136,143,255" />
      <Option type="QString" name="outline_width" value="0.4" />
      <Option type="QString" name="outline_width_unit" value="MM" />
      <Option type="QString" name="outline_style" value="dash dot" />
      <Option type="QString" name="joinstyle" value="round" />
     </Option>
    </layer>
   </symbol>
  </symbols>
 </renderer-v2>
 <labeling type="simple">
  <settings calloutType="simple">
   <text-style fieldName="district" isExpression="0" fontSize="9" fontWeight="63" fontSizeUnit="Point" textColor="38,52,61,255" textOpacity="1">
    <text-buffer bufferDraw="1" bufferSize="0.8" bufferSizeUnits="MM" bufferColor="255,255,255,255" bufferOpacity="0.85" />
   </text-style>
   <placement placement="1" dist="0.6" distUnits="MM" offsetType="1" priority="3" predefinedPositionOrder="TR,TL,BR,BL,R,L,TSR,BSR" />
   <rendering drawLabels="1" obstacle="0" />
  </settings>
 </labeling>
</qgis>
