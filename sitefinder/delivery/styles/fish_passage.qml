<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>
<qgis version="3.22.0" styleCategories="Symbology|Labeling">
 <!-- QGIS style of the layer fish_passage: barriers and plants that fish meet, once for each group of fish. Aliases of columns are added on delivery. -->
 <renderer-v2 type="singleSymbol" symbollevels="0" forceraster="0" enableorderby="0">
  <symbols>
   <symbol type="marker" name="0" alpha="1" clip_to_extent="1">
    <layer class="SimpleMarker" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="name" value="diamond" />
      <Option type="QString" name="color" value="79,150,143,255" />
      <Option type="QString" name="outline_color" value="38,52,61,255" />
      <Option type="QString" name="outline_width" value="0.3" />
      <Option type="QString" name="outline_width_unit" value="MM" />
      <Option type="QString" name="outline_style" value="solid" />
      <Option type="QString" name="size" value="2.8" />
      <Option type="QString" name="size_unit" value="MM" />
     </Option>
    </layer>
   </symbol>
  </symbols>
 </renderer-v2>
</qgis>
