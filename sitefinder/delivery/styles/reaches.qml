<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>
<qgis version="3.22.0" styleCategories="Symbology|Labeling">
 <!-- QGIS style of the layer reaches: reaches by verdict. Aliases of columns are added on delivery. -->
 <renderer-v2 type="categorizedSymbol" symbollevels="0" forceraster="0" enableorderby="0" attr="verdict">
  <categories>
   <category symbol="0" label="open: no rule applies" render="true" type="string" value="open" />
   <category symbol="1" label="restricted: fish-safe only, no diversion or no new barrier" render="true" type="string" value="restricted" />
   <category symbol="2" label="conditional: permitted on conditions" render="true" type="string" value="conditional" />
   <category symbol="3" label="unknown: a layer lacks information" render="true" type="string" value="unknown" />
   <category symbol="4" label="excluded: by a rule" render="true" type="string" value="excluded" />
  </categories>
  <symbols>
   <symbol type="line" name="0" alpha="1" clip_to_extent="1">
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="line_color" value="19,112,111,255" />
      <Option type="QString" name="line_width" value="0.7" />
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
      <Option type="QString" name="line_color" value="79,150,143,255" />
      <Option type="QString" name="line_width" value="0.7" />
      <Option type="QString" name="line_width_unit" value="MM" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="capstyle" value="flat" />
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="customdash" value="6;0.8" />
      <Option type="QString" name="customdash_unit" value="MM" />
      <Option type="QString" name="use_custom_dash" value="1" />
     </Option>
    </layer>
   </symbol>
   <symbol type="line" name="2" alpha="1" clip_to_extent="1">
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="line_color" value="176,115,26,255" />
      <Option type="QString" name="line_width" value="0.6" />
      <Option type="QString" name="line_width_unit" value="MM" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="capstyle" value="flat" />
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="customdash" value="3;1.2" />
      <Option type="QString" name="customdash_unit" value="MM" />
      <Option type="QString" name="use_custom_dash" value="1" />
     </Option>
    </layer>
   </symbol>
   <symbol type="line" name="3" alpha="1" clip_to_extent="1">
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="line_color" value="125,136,143,255" />
      <Option type="QString" name="line_width" value="0.5" />
      <Option type="QString" name="line_width_unit" value="MM" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="capstyle" value="flat" />
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="customdash" value="2.4;0.9;0.6;0.9" />
      <Option type="QString" name="customdash_unit" value="MM" />
      <Option type="QString" name="use_custom_dash" value="1" />
     </Option>
    </layer>
   </symbol>
   <symbol type="line" name="4" alpha="1" clip_to_extent="1">
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="line_color" value="138,74,18,255" />
      <Option type="QString" name="line_width" value="0.6" />
      <Option type="QString" name="line_width_unit" value="MM" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="capstyle" value="flat" />
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="customdash" value="0.6;0.9" />
      <Option type="QString" name="customdash_unit" value="MM" />
      <Option type="QString" name="use_custom_dash" value="1" />
     </Option>
    </layer>
   </symbol>
  </symbols>
 </renderer-v2>
</qgis>
