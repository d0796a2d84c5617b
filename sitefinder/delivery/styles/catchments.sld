<?xml version="1.0" encoding="UTF-8"?>
<StyledLayerDescriptor xmlns="http://www.opengis.net/sld" xmlns:se="http://www.opengis.net/se" xmlns:ogc="http://www.opengis.net/ogc" version="1.1.0">
 <!-- Style of the layer catchments: catchments of the intakes; outlines only, because catchments lie within one another. Sizes in pixels of 0.28 mm. -->
 <NamedLayer>
  <se:Name>catchments</se:Name>
  <UserStyle>
   <se:Name>catchments</se:Name>
   <se:FeatureTypeStyle>
    <se:Rule>
     <se:Name>catchment of a site</se:Name>
     <se:Description>
      <se:Title>catchment of a site</se:Title>
     </se:Description>
     <se:PolygonSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#26343d</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.43</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">1.5 3</se:SvgParameter>
      </se:Stroke>
     </se:PolygonSymbolizer>
    </se:Rule>
   </se:FeatureTypeStyle>
  </UserStyle>
 </NamedLayer>
</StyledLayerDescriptor>
