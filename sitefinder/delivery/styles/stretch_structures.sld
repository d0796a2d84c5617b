<?xml version="1.0" encoding="UTF-8"?>
<StyledLayerDescriptor xmlns="http://www.opengis.net/sld" xmlns:se="http://www.opengis.net/se" xmlns:ogc="http://www.opengis.net/ogc" version="1.1.0">
 <!-- Style of the layer stretch_structures: what lies on the stream within a site and at its ends. Sizes in pixels of 0.28 mm. -->
 <NamedLayer>
  <se:Name>stretch_structures</se:Name>
  <UserStyle>
   <se:Name>stretch_structures</se:Name>
   <se:FeatureTypeStyle>
    <se:Rule>
     <se:Name>what lies on the stream at a site</se:Name>
     <se:Description>
      <se:Title>what lies on the stream at a site</se:Title>
     </se:Description>
     <se:PointSymbolizer>
      <se:Graphic>
       <se:Mark>
        <se:WellKnownName>square</se:WellKnownName>
        <se:Fill>
         <se:SvgParameter name="fill">#e2bd74</se:SvgParameter>
        </se:Fill>
        <se:Stroke>
         <se:SvgParameter name="stroke">#26343d</se:SvgParameter>
         <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
        </se:Stroke>
       </se:Mark>
       <se:Size>7.14</se:Size>
      </se:Graphic>
     </se:PointSymbolizer>
    </se:Rule>
   </se:FeatureTypeStyle>
  </UserStyle>
 </NamedLayer>
</StyledLayerDescriptor>
