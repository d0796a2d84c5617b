<?xml version="1.0" encoding="UTF-8"?>
<StyledLayerDescriptor xmlns="http://www.opengis.net/sld" xmlns:se="http://www.opengis.net/se" xmlns:ogc="http://www.opengis.net/ogc" version="1.1.0">
 <!-- Style of the layer rule_areas: outlines by what rules do there; the standard has no hatching. Sizes in pixels of 0.28 mm. -->
 <NamedLayer>
  <se:Name>rule_areas</se:Name>
  <UserStyle>
   <se:Name>rule_areas</se:Name>
   <se:FeatureTypeStyle>
    <se:Rule>
     <se:Name>no site</se:Name>
     <se:Description>
      <se:Title>no site</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>action</ogc:PropertyName>
       <ogc:Literal>exclude</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:PolygonSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#8a4a12</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">1 0</se:SvgParameter>
      </se:Stroke>
     </se:PolygonSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>subject to conditions</se:Name>
     <se:Description>
      <se:Title>subject to conditions</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>action</ogc:PropertyName>
       <ogc:Literal>conditional</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:PolygonSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#b0731a</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">8 3</se:SvgParameter>
      </se:Stroke>
     </se:PolygonSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>fish-safe turbines only</se:Name>
     <se:Description>
      <se:Title>fish-safe turbines only</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>action</ogc:PropertyName>
       <ogc:Literal>fish_safe_only</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:PolygonSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#13706f</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">12 3</se:SvgParameter>
      </se:Stroke>
     </se:PolygonSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>turbines fish-safe as built only</se:Name>
     <se:Description>
      <se:Title>turbines fish-safe as built only</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>action</ogc:PropertyName>
       <ogc:Literal>fish_safe_as_built</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:PolygonSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#13706f</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">12 3 2 3</se:SvgParameter>
      </se:Stroke>
     </se:PolygonSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>no diversion</se:Name>
     <se:Description>
      <se:Title>no diversion</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>action</ogc:PropertyName>
       <ogc:Literal>no_diversion</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:PolygonSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#13706f</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">4 4</se:SvgParameter>
      </se:Stroke>
     </se:PolygonSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>no new barrier</se:Name>
     <se:Description>
      <se:Title>no new barrier</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>action</ogc:PropertyName>
       <ogc:Literal>no_new_barrier</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:PolygonSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#26343d</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">6 3 2 3</se:SvgParameter>
      </se:Stroke>
     </se:PolygonSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>note only</se:Name>
     <se:Description>
      <se:Title>note only</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>action</ogc:PropertyName>
       <ogc:Literal>note</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:PolygonSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#7d888f</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">2 4</se:SvgParameter>
      </se:Stroke>
     </se:PolygonSymbolizer>
    </se:Rule>
   </se:FeatureTypeStyle>
  </UserStyle>
 </NamedLayer>
</StyledLayerDescriptor>
