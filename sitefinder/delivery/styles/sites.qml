<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>
<qgis version="3.22.0" styleCategories="Symbology|Labeling">
 <!-- QGIS style of the layer sites: sites at their tailraces: larger and darker the better they rank, the best on top. Aliases of columns are added on delivery. -->
 <renderer-v2 type="graduatedSymbol" symbollevels="0" forceraster="0" enableorderby="1" attr="rank">
  <ranges>
   <range symbol="0" label="rank 1 to 5" render="true" lower="1.0" upper="5.0" />
   <range symbol="1" label="rank 6 to 20" render="true" lower="6.0" upper="20.0" />
   <range symbol="2" label="rank 21 and beyond" render="true" lower="21.0" upper="1000000.0" />
  </ranges>
  <symbols>
   <symbol type="marker" name="0" alpha="1" clip_to_extent="1">
    <layer class="SimpleMarker" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="name" value="diamond" />
      <Option type="QString" name="color" value="176,115,26,255" />
      <Option type="QString" name="outline_color" value="255,255,255,255" />
      <Option type="QString" name="outline_width" value="0.4" />
      <Option type="QString" name="outline_width_unit" value="MM" />
      <Option type="QString" name="outline_style" value="solid" />
      <Option type="QString" name="size" value="6" />
      <Option type="QString" name="size_unit" value="MM" />
     </Option>
    </layer>
   </symbol>
   <symbol type="marker" name="1" alpha="1" clip_to_extent="1">
    <layer class="SimpleMarker" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="name" value="circle" />
      <Option type="QString" name="color" value="226,189,116,255" />
      <Option type="QString" name="outline_color" value="38,52,61,255" />
      <Option type="QString" name="outline_width" value="0.3" />
      <Option type="QString" name="outline_width_unit" value="MM" />
      <Option type="QString" name="outline_style" value="solid" />
      <Option type="QString" name="size" value="4.2" />
      <Option type="QString" name="size_unit" value="MM" />
     </Option>
    </layer>
   </symbol>
   <symbol type="marker" name="2" alpha="1" clip_to_extent="1">
    <layer class="SimpleMarker" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="name" value="circle" />
      <Option type="QString" name="color" value="255,255,255,255" />
      <Option type="QString" name="outline_color" value="38,52,61,255" />
      <Option type="QString" name="outline_width" value="0.3" />
      <Option type="QString" name="outline_width_unit" value="MM" />
      <Option type="QString" name="outline_style" value="solid" />
      <Option type="QString" name="size" value="2.6" />
      <Option type="QString" name="size_unit" value="MM" />
     </Option>
    </layer>
   </symbol>
  </symbols>
  <orderby>
   <orderByClause asc="0" nullsFirst="1">"rank"</orderByClause>
  </orderby>
 </renderer-v2>
 <labeling type="simple">
  <settings calloutType="simple">
   <text-style fieldName="rank" isExpression="0" fontSize="9" fontWeight="63" fontSizeUnit="Point" textColor="38,52,61,255" textOpacity="1">
    <text-buffer bufferDraw="1" bufferSize="0.8" bufferSizeUnits="MM" bufferColor="255,255,255,255" bufferOpacity="0.85" />
   </text-style>
   <placement placement="6" dist="0.6" distUnits="MM" offsetType="1" priority="9" predefinedPositionOrder="TR,TL,BR,BL,R,L,TSR,BSR" />
   <rendering drawLabels="1" obstacle="1" />
  </settings>
 </labeling>
</qgis>
