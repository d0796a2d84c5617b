<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>
<qgis version="3.22.0" styleCategories="Symbology|Labeling">
 <!-- QGIS style of the layer conduits: headraces and penstocks of sites. Aliases of columns are added on delivery. -->
 <renderer-v2 type="categorizedSymbol" symbollevels="0" forceraster="0" enableorderby="1" attr="part">
  <categories>
   <category symbol="0" label="headrace" render="true" type="string" value="headrace" />
   <category symbol="1" label="penstock" render="true" type="string" value="penstock" />
  </categories>
  <symbols>
   <symbol type="line" name="0" alpha="1" clip_to_extent="1">
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="line_color" value="38,52,61,255" />
      <Option type="QString" name="line_width" value="0.5" />
      <Option type="QString" name="line_width_unit" value="MM" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="capstyle" value="round" />
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="customdash" value="5;2" />
      <Option type="QString" name="customdash_unit" value="MM" />
      <Option type="QString" name="use_custom_dash" value="0" />
     </Option>
    </layer>
   </symbol>
   <symbol type="line" name="1" alpha="1" clip_to_extent="1">
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="line_color" value="138,74,18,255" />
      <Option type="QString" name="line_width" value="0.7" />
      <Option type="QString" name="line_width_unit" value="MM" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="capstyle" value="flat" />
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="customdash" value="1.2;0.9" />
      <Option type="QString" name="customdash_unit" value="MM" />
      <Option type="QString" name="use_custom_dash" value="1" />
     </Option>
    </layer>
   </symbol>
  </symbols>
  <orderby>
   <orderByClause asc="0" nullsFirst="1">"rank"</orderByClause>
  </orderby>
 </renderer-v2>
</qgis>
