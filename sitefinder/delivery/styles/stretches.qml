<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>
<qgis version="3.22.0" styleCategories="Symbology|Labeling">
 <!-- QGIS style of the layer stretches: stretches of sites from intake to tailrace, and the alternatives that they block. Aliases of columns are added on delivery. -->
 <renderer-v2 type="categorizedSymbol" symbollevels="0" forceraster="0" enableorderby="1" attr="if(&quot;rank&quot; IS NULL, 'alternative', 'site')">
  <categories>
   <category symbol="0" label="stretch of a site" render="true" type="string" value="site" />
   <category symbol="1" label="alternative, blocked by a site" render="true" type="string" value="alternative" />
  </categories>
  <symbols>
   <symbol type="line" name="0" alpha="1" clip_to_extent="1">
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="line_color" value="176,115,26,255" />
      <Option type="QString" name="line_width" value="1.3" />
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
      <Option type="QString" name="line_color" value="226,189,116,255" />
      <Option type="QString" name="line_width" value="0.6" />
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
