<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>
<qgis version="3.22.0" styleCategories="Symbology|Labeling">
 <!-- QGIS style of the layer catchments: catchments of the intakes; outlines only, because catchments lie within one another. Aliases of columns are added on delivery. -->
 <renderer-v2 type="singleSymbol" symbollevels="0" forceraster="0" enableorderby="0">
  <symbols>
   <symbol type="fill" name="0" alpha="1" clip_to_extent="1">
    <layer class="SimpleFill" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="color" value="0,0,0,0" />
      <Option type="QString" name="style" value="no" />
      <Option type="QString" name="outline_color" value="38,52,61,255" />
      <Option type="QString" name="outline_width" value="0.4" />
      <Option type="QString" name="outline_width_unit" value="MM" />
      <Option type="QString" name="outline_style" value="dot" />
      <Option type="QString" name="joinstyle" value="round" />
     </Option>
    </layer>
   </symbol>
  </symbols>
 </renderer-v2>
</qgis>
