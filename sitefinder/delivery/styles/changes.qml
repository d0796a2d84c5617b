<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>
<qgis version="3.22.0" styleCategories="Symbology|Labeling">
 <!-- QGIS style of the layer changes: reaches and sites by what became of them from one run to the next; sites are wider. Aliases of columns are added on delivery. -->
 <renderer-v2 type="categorizedSymbol" symbollevels="1" forceraster="0" enableorderby="1" attr="change">
  <categories>
   <category symbol="0" label="vanished" render="true" type="string" value="vanished" />
   <category symbol="1" label="appeared" render="true" type="string" value="appeared" />
   <category symbol="2" label="newly excluded" render="true" type="string" value="newly excluded" />
   <category symbol="3" label="re-admitted" render="true" type="string" value="re-admitted" />
   <category symbol="4" label="changed in value" render="true" type="string" value="changed in value" />
   <category symbol="5" label="changed by rules" render="true" type="string" value="changed by rules" />
   <category symbol="6" label="changed by decisions" render="true" type="string" value="changed by decisions" />
   <category symbol="7" label="moved in rank" render="true" type="string" value="moved in rank" />
   <category symbol="8" label="unchanged" render="true" type="string" value="unchanged" />
  </categories>
  <symbols>
   <symbol type="line" name="0" alpha="1" clip_to_extent="1">
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="line_color" value="138,74,18,255" />
      <Option type="QString" name="line_width" value="0.8" />
      <Option type="QString" name="line_width_unit" value="MM" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="capstyle" value="flat" />
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="customdash" value="1;1" />
      <Option type="QString" name="customdash_unit" value="MM" />
      <Option type="QString" name="use_custom_dash" value="1" />
     </Option>
     <data_defined_properties>
      <Option type="Map">
       <Option type="QString" name="name" value="" />
       <Option type="Map" name="properties">
        <Option type="Map" name="outlineWidth">
         <Option type="bool" name="active" value="true" />
         <Option type="QString" name="expression" value="if(&quot;kind&quot; = 'site', 2.4, 0.8)" />
         <Option type="int" name="type" value="3" />
        </Option>
       </Option>
       <Option type="QString" name="type" value="collection" />
      </Option>
     </data_defined_properties>
    </layer>
   </symbol>
   <symbol type="line" name="1" alpha="1" clip_to_extent="1">
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="line_color" value="19,112,111,255" />
      <Option type="QString" name="line_width" value="0.8" />
      <Option type="QString" name="line_width_unit" value="MM" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="capstyle" value="round" />
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="customdash" value="5;2" />
      <Option type="QString" name="customdash_unit" value="MM" />
      <Option type="QString" name="use_custom_dash" value="0" />
     </Option>
     <data_defined_properties>
      <Option type="Map">
       <Option type="QString" name="name" value="" />
       <Option type="Map" name="properties">
        <Option type="Map" name="outlineWidth">
         <Option type="bool" name="active" value="true" />
         <Option type="QString" name="expression" value="if(&quot;kind&quot; = 'site', 2.4, 0.8)" />
         <Option type="int" name="type" value="3" />
        </Option>
       </Option>
       <Option type="QString" name="type" value="collection" />
      </Option>
     </data_defined_properties>
    </layer>
   </symbol>
   <symbol type="line" name="2" alpha="1" clip_to_extent="1">
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="line_color" value="138,74,18,255" />
      <Option type="QString" name="line_width" value="0.8" />
      <Option type="QString" name="line_width_unit" value="MM" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="capstyle" value="flat" />
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="customdash" value="1;1" />
      <Option type="QString" name="customdash_unit" value="MM" />
      <Option type="QString" name="use_custom_dash" value="1" />
     </Option>
     <data_defined_properties>
      <Option type="Map">
       <Option type="QString" name="name" value="" />
       <Option type="Map" name="properties">
        <Option type="Map" name="outlineWidth">
         <Option type="bool" name="active" value="true" />
         <Option type="QString" name="expression" value="if(&quot;kind&quot; = 'site', 2.4, 0.8)" />
         <Option type="int" name="type" value="3" />
        </Option>
       </Option>
       <Option type="QString" name="type" value="collection" />
      </Option>
     </data_defined_properties>
    </layer>
   </symbol>
   <symbol type="line" name="3" alpha="1" clip_to_extent="1">
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="line_color" value="19,112,111,255" />
      <Option type="QString" name="line_width" value="0.8" />
      <Option type="QString" name="line_width_unit" value="MM" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="capstyle" value="round" />
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="customdash" value="5;2" />
      <Option type="QString" name="customdash_unit" value="MM" />
      <Option type="QString" name="use_custom_dash" value="0" />
     </Option>
     <data_defined_properties>
      <Option type="Map">
       <Option type="QString" name="name" value="" />
       <Option type="Map" name="properties">
        <Option type="Map" name="outlineWidth">
         <Option type="bool" name="active" value="true" />
         <Option type="QString" name="expression" value="if(&quot;kind&quot; = 'site', 2.4, 0.8)" />
         <Option type="int" name="type" value="3" />
        </Option>
       </Option>
       <Option type="QString" name="type" value="collection" />
      </Option>
     </data_defined_properties>
    </layer>
   </symbol>
   <symbol type="line" name="4" alpha="1" clip_to_extent="1">
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="line_color" value="176,115,26,255" />
      <Option type="QString" name="line_width" value="0.6" />
      <Option type="QString" name="line_width_unit" value="MM" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="capstyle" value="flat" />
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="customdash" value="3;1" />
      <Option type="QString" name="customdash_unit" value="MM" />
      <Option type="QString" name="use_custom_dash" value="1" />
     </Option>
     <data_defined_properties>
      <Option type="Map">
       <Option type="QString" name="name" value="" />
       <Option type="Map" name="properties">
        <Option type="Map" name="outlineWidth">
         <Option type="bool" name="active" value="true" />
         <Option type="QString" name="expression" value="if(&quot;kind&quot; = 'site', 1.8, 0.6)" />
         <Option type="int" name="type" value="3" />
        </Option>
       </Option>
       <Option type="QString" name="type" value="collection" />
      </Option>
     </data_defined_properties>
    </layer>
   </symbol>
   <symbol type="line" name="5" alpha="1" clip_to_extent="1">
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="line_color" value="176,115,26,255" />
      <Option type="QString" name="line_width" value="0.6" />
      <Option type="QString" name="line_width_unit" value="MM" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="capstyle" value="flat" />
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="customdash" value="3;1;0.6;1" />
      <Option type="QString" name="customdash_unit" value="MM" />
      <Option type="QString" name="use_custom_dash" value="1" />
     </Option>
     <data_defined_properties>
      <Option type="Map">
       <Option type="QString" name="name" value="" />
       <Option type="Map" name="properties">
        <Option type="Map" name="outlineWidth">
         <Option type="bool" name="active" value="true" />
         <Option type="QString" name="expression" value="if(&quot;kind&quot; = 'site', 1.8, 0.6)" />
         <Option type="int" name="type" value="3" />
        </Option>
       </Option>
       <Option type="QString" name="type" value="collection" />
      </Option>
     </data_defined_properties>
    </layer>
   </symbol>
   <symbol type="line" name="6" alpha="1" clip_to_extent="1">
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="line_color" value="176,115,26,255" />
      <Option type="QString" name="line_width" value="0.6" />
      <Option type="QString" name="line_width_unit" value="MM" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="capstyle" value="flat" />
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="customdash" value="0.6;1" />
      <Option type="QString" name="customdash_unit" value="MM" />
      <Option type="QString" name="use_custom_dash" value="1" />
     </Option>
     <data_defined_properties>
      <Option type="Map">
       <Option type="QString" name="name" value="" />
       <Option type="Map" name="properties">
        <Option type="Map" name="outlineWidth">
         <Option type="bool" name="active" value="true" />
         <Option type="QString" name="expression" value="if(&quot;kind&quot; = 'site', 1.8, 0.6)" />
         <Option type="int" name="type" value="3" />
        </Option>
       </Option>
       <Option type="QString" name="type" value="collection" />
      </Option>
     </data_defined_properties>
    </layer>
   </symbol>
   <symbol type="line" name="7" alpha="1" clip_to_extent="1">
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="line_color" value="38,52,61,255" />
      <Option type="QString" name="line_width" value="0.4" />
      <Option type="QString" name="line_width_unit" value="MM" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="capstyle" value="round" />
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="customdash" value="5;2" />
      <Option type="QString" name="customdash_unit" value="MM" />
      <Option type="QString" name="use_custom_dash" value="0" />
     </Option>
     <data_defined_properties>
      <Option type="Map">
       <Option type="QString" name="name" value="" />
       <Option type="Map" name="properties">
        <Option type="Map" name="outlineWidth">
         <Option type="bool" name="active" value="true" />
         <Option type="QString" name="expression" value="if(&quot;kind&quot; = 'site', 1.2, 0.4)" />
         <Option type="int" name="type" value="3" />
        </Option>
       </Option>
       <Option type="QString" name="type" value="collection" />
      </Option>
     </data_defined_properties>
    </layer>
   </symbol>
   <symbol type="line" name="8" alpha="1" clip_to_extent="1">
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="line_color" value="125,136,143,255" />
      <Option type="QString" name="line_width" value="0.3" />
      <Option type="QString" name="line_width_unit" value="MM" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="capstyle" value="round" />
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="customdash" value="5;2" />
      <Option type="QString" name="customdash_unit" value="MM" />
      <Option type="QString" name="use_custom_dash" value="0" />
     </Option>
     <data_defined_properties>
      <Option type="Map">
       <Option type="QString" name="name" value="" />
       <Option type="Map" name="properties">
        <Option type="Map" name="outlineWidth">
         <Option type="bool" name="active" value="true" />
         <Option type="QString" name="expression" value="if(&quot;kind&quot; = 'site', 0.9, 0.3)" />
         <Option type="int" name="type" value="3" />
        </Option>
       </Option>
       <Option type="QString" name="type" value="collection" />
      </Option>
     </data_defined_properties>
    </layer>
   </symbol>
  </symbols>
  <orderby>
   <orderByClause asc="1" nullsFirst="1">if("kind" = 'site', 1, 0)</orderByClause>
  </orderby>
 </renderer-v2>
</qgis>
