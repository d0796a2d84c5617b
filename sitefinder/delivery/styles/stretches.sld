<?xml version="1.0" encoding="UTF-8"?>
<StyledLayerDescriptor xmlns="http://www.opengis.net/sld" xmlns:se="http://www.opengis.net/se" xmlns:ogc="http://www.opengis.net/ogc" version="1.1.0">
 <!-- Style of the layer stretches: stretches of sites from intake to tailrace, and the alternatives that they block. Sizes in pixels of 0.28 mm. -->
 <NamedLayer>
  <se:Name>stretches</se:Name>
  <UserStyle>
   <se:Name>stretches</se:Name>
   <!-- Sites are drawn after the alternatives, over them. -->
   <se:FeatureTypeStyle>
    <se:Rule>
     <se:Name>alternative, blocked by a site</se:Name>
     <se:Description>
      <se:Title>alternative, blocked by a site</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsNull>
       <ogc:PropertyName>rank</ogc:PropertyName>
      </ogc:PropertyIsNull>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#e2bd74</se:SvgParameter>
       <se:SvgParameter name="stroke-width">2.14</se:SvgParameter>
       <se:SvgParameter name="stroke-linecap">butt</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">4.29 3.21</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
   </se:FeatureTypeStyle>
   <se:FeatureTypeStyle>
    <se:Rule>
     <se:Name>stretch of a site</se:Name>
     <se:Description>
      <se:Title>stretch of a site</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:Not>
       <ogc:PropertyIsNull>
        <ogc:PropertyName>rank</ogc:PropertyName>
       </ogc:PropertyIsNull>
      </ogc:Not>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#b0731a</se:SvgParameter>
       <se:SvgParameter name="stroke-width">4.64</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
   </se:FeatureTypeStyle>
  </UserStyle>
 </NamedLayer>
</StyledLayerDescriptor>
