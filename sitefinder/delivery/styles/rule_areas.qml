<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>
<qgis version="3.22.0" styleCategories="Symbology|Labeling">
 <!-- QGIS style of the layer rule_areas: areas of rules hatched by what they do there. Aliases of columns are added on delivery. -->
 <renderer-v2 type="categorizedSymbol" attr="action" symbollevels="0" forceraster="0" enableorderby="0">
  <categories>
   <category value="exclude" symbol="0" label="no site" render="true" />
   <category value="conditional" symbol="1" label="subject to conditions" render="true" />
   <category value="fish_safe_only" symbol="2" label="fish-safe turbines only" render="true" />
   <category value="fish_safe_as_built" symbol="3" label="turbines fish-safe as built only" render="true" />
   <category value="no_diversion" symbol="4" label="no diversion" render="true" />
   <category value="no_new_barrier" symbol="5" label="no new barrier" render="true" />
   <category value="note" symbol="6" label="note only" render="true" />
  </categories>
  <symbols>
   <symbol type="fill" name="0" alpha="1" clip_to_extent="1">
    <layer class="LinePatternFill" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="angle" value="45" />
      <Option type="QString" name="distance" value="2" />
      <Option type="QString" name="distance_unit" value="MM" />
     </Option>
     <symbol type="line" name="@0@0" alpha="1" clip_to_extent="1">
      <layer class="SimpleLine" enabled="1" locked="0" pass="0">
       <Option type="Map">
        <Option type="QString" name="line_color" value="138,74,18,255" />
        <Option type="QString" name="line_style" value="solid" />
        <Option type="QString" name="line_width" value="0.2" />
        <Option type="QString" name="line_width_unit" value="MM" />
       </Option>
      </layer>
     </symbol>
    </layer>
    <layer class="LinePatternFill" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="angle" value="135" />
      <Option type="QString" name="distance" value="2" />
      <Option type="QString" name="distance_unit" value="MM" />
     </Option>
     <symbol type="line" name="@0@1" alpha="1" clip_to_extent="1">
      <layer class="SimpleLine" enabled="1" locked="0" pass="0">
       <Option type="Map">
        <Option type="QString" name="line_color" value="138,74,18,255" />
        <Option type="QString" name="line_style" value="solid" />
        <Option type="QString" name="line_width" value="0.2" />
        <Option type="QString" name="line_width_unit" value="MM" />
       </Option>
      </layer>
     </symbol>
    </layer>
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="line_color" value="138,74,18,255" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="line_width" value="0.3" />
      <Option type="QString" name="line_width_unit" value="MM" />
     </Option>
    </layer>
   </symbol>
   <symbol type="fill" name="1" alpha="1" clip_to_extent="1">
    <layer class="LinePatternFill" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="angle" value="45" />
      <Option type="QString" name="distance" value="2" />
      <Option type="QString" name="distance_unit" value="MM" />
     </Option>
     <symbol type="line" name="@1@0" alpha="1" clip_to_extent="1">
      <layer class="SimpleLine" enabled="1" locked="0" pass="0">
       <Option type="Map">
        <Option type="QString" name="line_color" value="176,115,26,255" />
        <Option type="QString" name="line_style" value="solid" />
        <Option type="QString" name="line_width" value="0.2" />
        <Option type="QString" name="line_width_unit" value="MM" />
       </Option>
      </layer>
     </symbol>
    </layer>
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="line_color" value="176,115,26,255" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="line_width" value="0.3" />
      <Option type="QString" name="line_width_unit" value="MM" />
     </Option>
    </layer>
   </symbol>
   <symbol type="fill" name="2" alpha="1" clip_to_extent="1">
    <layer class="LinePatternFill" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="angle" value="0" />
      <Option type="QString" name="distance" value="2" />
      <Option type="QString" name="distance_unit" value="MM" />
     </Option>
     <symbol type="line" name="@2@0" alpha="1" clip_to_extent="1">
      <layer class="SimpleLine" enabled="1" locked="0" pass="0">
       <Option type="Map">
        <Option type="QString" name="line_color" value="19,112,111,255" />
        <Option type="QString" name="line_style" value="solid" />
        <Option type="QString" name="line_width" value="0.2" />
        <Option type="QString" name="line_width_unit" value="MM" />
       </Option>
      </layer>
     </symbol>
    </layer>
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="line_color" value="19,112,111,255" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="line_width" value="0.3" />
      <Option type="QString" name="line_width_unit" value="MM" />
     </Option>
    </layer>
   </symbol>
   <symbol type="fill" name="3" alpha="1" clip_to_extent="1">
    <layer class="LinePatternFill" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="angle" value="0" />
      <Option type="QString" name="distance" value="2" />
      <Option type="QString" name="distance_unit" value="MM" />
     </Option>
     <symbol type="line" name="@3@0" alpha="1" clip_to_extent="1">
      <layer class="SimpleLine" enabled="1" locked="0" pass="0">
       <Option type="Map">
        <Option type="QString" name="line_color" value="19,112,111,255" />
        <Option type="QString" name="line_style" value="solid" />
        <Option type="QString" name="line_width" value="0.2" />
        <Option type="QString" name="line_width_unit" value="MM" />
       </Option>
      </layer>
     </symbol>
    </layer>
    <layer class="LinePatternFill" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="angle" value="90" />
      <Option type="QString" name="distance" value="2" />
      <Option type="QString" name="distance_unit" value="MM" />
     </Option>
     <symbol type="line" name="@3@1" alpha="1" clip_to_extent="1">
      <layer class="SimpleLine" enabled="1" locked="0" pass="0">
       <Option type="Map">
        <Option type="QString" name="line_color" value="19,112,111,255" />
        <Option type="QString" name="line_style" value="solid" />
        <Option type="QString" name="line_width" value="0.2" />
        <Option type="QString" name="line_width_unit" value="MM" />
       </Option>
      </layer>
     </symbol>
    </layer>
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="line_color" value="19,112,111,255" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="line_width" value="0.3" />
      <Option type="QString" name="line_width_unit" value="MM" />
     </Option>
    </layer>
   </symbol>
   <symbol type="fill" name="4" alpha="1" clip_to_extent="1">
    <layer class="LinePatternFill" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="angle" value="90" />
      <Option type="QString" name="distance" value="2" />
      <Option type="QString" name="distance_unit" value="MM" />
     </Option>
     <symbol type="line" name="@4@0" alpha="1" clip_to_extent="1">
      <layer class="SimpleLine" enabled="1" locked="0" pass="0">
       <Option type="Map">
        <Option type="QString" name="line_color" value="19,112,111,255" />
        <Option type="QString" name="line_style" value="solid" />
        <Option type="QString" name="line_width" value="0.2" />
        <Option type="QString" name="line_width_unit" value="MM" />
       </Option>
      </layer>
     </symbol>
    </layer>
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="line_color" value="19,112,111,255" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="line_width" value="0.3" />
      <Option type="QString" name="line_width_unit" value="MM" />
     </Option>
    </layer>
   </symbol>
   <symbol type="fill" name="5" alpha="1" clip_to_extent="1">
    <layer class="LinePatternFill" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="angle" value="135" />
      <Option type="QString" name="distance" value="2" />
      <Option type="QString" name="distance_unit" value="MM" />
     </Option>
     <symbol type="line" name="@5@0" alpha="1" clip_to_extent="1">
      <layer class="SimpleLine" enabled="1" locked="0" pass="0">
       <Option type="Map">
        <Option type="QString" name="line_color" value="38,52,61,255" />
        <Option type="QString" name="line_style" value="solid" />
        <Option type="QString" name="line_width" value="0.2" />
        <Option type="QString" name="line_width_unit" value="MM" />
       </Option>
      </layer>
     </symbol>
    </layer>
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="line_color" value="38,52,61,255" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="line_width" value="0.3" />
      <Option type="QString" name="line_width_unit" value="MM" />
     </Option>
    </layer>
   </symbol>
   <symbol type="fill" name="6" alpha="1" clip_to_extent="1">
    <layer class="LinePatternFill" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="angle" value="20" />
      <Option type="QString" name="distance" value="2" />
      <Option type="QString" name="distance_unit" value="MM" />
     </Option>
     <symbol type="line" name="@6@0" alpha="1" clip_to_extent="1">
      <layer class="SimpleLine" enabled="1" locked="0" pass="0">
       <Option type="Map">
        <Option type="QString" name="line_color" value="125,136,143,255" />
        <Option type="QString" name="line_style" value="solid" />
        <Option type="QString" name="line_width" value="0.2" />
        <Option type="QString" name="line_width_unit" value="MM" />
       </Option>
      </layer>
     </symbol>
    </layer>
    <layer class="SimpleLine" enabled="1" locked="0" pass="0">
     <Option type="Map">
      <Option type="QString" name="joinstyle" value="round" />
      <Option type="QString" name="line_color" value="125,136,143,255" />
      <Option type="QString" name="line_style" value="solid" />
      <Option type="QString" name="line_width" value="0.3" />
      <Option type="QString" name="line_width_unit" value="MM" />
     </Option>
    </layer>
   </symbol>
  </symbols>
 </renderer-v2>
</qgis>
