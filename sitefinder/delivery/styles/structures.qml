<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>
<qgis version="3.22.0" styleCategories="Symbology|Labeling">
 <!-- QGIS style of the layer structures: existing structures, and steps of the profile that no structure explains. Aliases of columns are added on delivery. -->
 <renderer-v2 type="categorizedSymbol" symbollevels="0" forceraster="0" enableorderby="0" attr="if(&quot;removed&quot;, 'removed', if(&quot;powered&quot;, 'powered', 'not powered'))">
  <categories>
   <category symbol="0" label="structure with a plant" render="true" type="string" value="powered" />
   <category symbol="1" label="structure" render="true" type="string" value="not powered" />
   <category symbol="2" label="removed structure" render="true" type="string" value="removed" />
  </categories>
  <symbols>
   <symbol type="marker" name="0" alpha="1" clip_to_extent="1">
    <layer class="SimpleMarker" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="name" value="square" />
      <Option type="QString" name="color" value="38,52,61,255" />
      <Option type="QString" name="outline_color" value="38,52,61,255" />
      <Option type="QString" name="outline_width" value="0.3" />
      <Option type="QString" name="outline_width_unit" value="MM" />
      <Option type="QString" name="outline_style" value="solid" />
      <Option type="QString" name="size" value="3" />
      <Option type="QString" name="size_unit" value="MM" />
     </Option>
    </layer>
   </symbol>
   <symbol type="marker" name="1" alpha="1" clip_to_extent="1">
    <layer class="SimpleMarker" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="name" value="square" />
      <Option type="QString" name="color" value="255,255,255,255" />
      <Option type="QString" name="outline_color" value="38,52,61,255" />
      <Option type="QString" name="outline_width" value="0.3" />
      <Option type="QString" name="outline_width_unit" value="MM" />
      <Option type="QString" name="outline_style" value="solid" />
      <Option type="QString" name="size" value="2.4" />
      <Option type="QString" name="size_unit" value="MM" />
     </Option>
    </layer>
   </symbol>
   <symbol type="marker" name="2" alpha="1" clip_to_extent="1">
    <layer class="SimpleMarker" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="name" value="cross" />
      <Option type="QString" name="color" value="255,255,255,255" />
      <Option type="QString" name="outline_color" value="125,136,143,255" />
      <Option type="QString" name="outline_width" value="0.3" />
      <Option type="QString" name="outline_width_unit" value="MM" />
      <Option type="QString" name="outline_style" value="solid" />
      <Option type="QString" name="size" value="2.4" />
      <Option type="QString" name="size_unit" value="MM" />
     </Option>
    </layer>
   </symbol>
  </symbols>
 </renderer-v2>
</qgis>
