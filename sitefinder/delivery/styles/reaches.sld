<?xml version="1.0" encoding="UTF-8"?>
<StyledLayerDescriptor xmlns="http://www.opengis.net/sld" xmlns:se="http://www.opengis.net/se" xmlns:ogc="http://www.opengis.net/ogc" version="1.1.0">
 <!-- Style of the layer reaches: reaches by verdict. Sizes in pixels of 0.28 mm. -->
 <NamedLayer>
  <se:Name>reaches</se:Name>
  <UserStyle>
   <se:Name>reaches</se:Name>
   <se:FeatureTypeStyle>
    <se:Rule>
     <se:Name>open: no rule applies</se:Name>
     <se:Description>
      <se:Title>open: no rule applies</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>verdict</ogc:PropertyName>
       <ogc:Literal>open</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#13706f</se:SvgParameter>
       <se:SvgParameter name="stroke-width">2.50</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>restricted: fish-safe only, no diversion or no new barrier</se:Name>
     <se:Description>
      <se:Title>restricted: fish-safe only, no diversion or no new barrier</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>verdict</ogc:PropertyName>
       <ogc:Literal>restricted</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#4f968f</se:SvgParameter>
       <se:SvgParameter name="stroke-width">2.50</se:SvgParameter>
       <se:SvgParameter name="stroke-linecap">butt</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">21.43 2.86</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>conditional: permitted on conditions</se:Name>
     <se:Description>
      <se:Title>conditional: permitted on conditions</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>verdict</ogc:PropertyName>
       <ogc:Literal>conditional</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#b0731a</se:SvgParameter>
       <se:SvgParameter name="stroke-width">2.14</se:SvgParameter>
       <se:SvgParameter name="stroke-linecap">butt</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">10.71 4.29</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>unknown: a layer lacks information</se:Name>
     <se:Description>
      <se:Title>unknown: a layer lacks information</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>verdict</ogc:PropertyName>
       <ogc:Literal>unknown</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#7d888f</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.79</se:SvgParameter>
       <se:SvgParameter name="stroke-linecap">butt</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">8.57 3.21 2.14 3.21</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>excluded: by a rule</se:Name>
     <se:Description>
      <se:Title>excluded: by a rule</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>verdict</ogc:PropertyName>
       <ogc:Literal>excluded</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#8a4a12</se:SvgParameter>
       <se:SvgParameter name="stroke-width">2.14</se:SvgParameter>
       <se:SvgParameter name="stroke-linecap">butt</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">2.14 3.21</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
   </se:FeatureTypeStyle>
  </UserStyle>
 </NamedLayer>
</StyledLayerDescriptor>
