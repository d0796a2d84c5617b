<?xml version="1.0" encoding="UTF-8"?>
<StyledLayerDescriptor xmlns="http://www.opengis.net/sld" xmlns:se="http://www.opengis.net/se" xmlns:ogc="http://www.opengis.net/ogc" version="1.1.0">
 <!-- Style of the layer conduits: headraces and penstocks of sites. Sizes in pixels of 0.28 mm. -->
 <NamedLayer>
  <se:Name>conduits</se:Name>
  <UserStyle>
   <se:Name>conduits</se:Name>
   <se:FeatureTypeStyle>
    <se:Rule>
     <se:Name>headrace</se:Name>
     <se:Description>
      <se:Title>headrace</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>part</ogc:PropertyName>
       <ogc:Literal>headrace</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#26343d</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.79</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>penstock</se:Name>
     <se:Description>
      <se:Title>penstock</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>part</ogc:PropertyName>
       <ogc:Literal>penstock</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#8a4a12</se:SvgParameter>
       <se:SvgParameter name="stroke-width">2.5</se:SvgParameter>
       <se:SvgParameter name="stroke-linecap">butt</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">4.29 3.21</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
   </se:FeatureTypeStyle>
  </UserStyle>
 </NamedLayer>
</StyledLayerDescriptor>
