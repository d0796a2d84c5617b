<?xml version="1.0" encoding="UTF-8"?>
<StyledLayerDescriptor xmlns="http://www.opengis.net/sld" xmlns:se="http://www.opengis.net/se" xmlns:ogc="http://www.opengis.net/ogc" version="1.1.0">
 <!-- Style of the layer drops: drops without a mapped stream, with a stated flow. Sizes in pixels of 0.28 mm. -->
 <NamedLayer>
  <se:Name>drops</se:Name>
  <UserStyle>
   <se:Name>drops</se:Name>
   <se:FeatureTypeStyle>
    <se:Rule>
     <se:Name>drop without a stream</se:Name>
     <se:Description>
      <se:Title>drop without a stream</se:Title>
     </se:Description>
     <se:PointSymbolizer>
      <se:Graphic>
       <se:Mark>
        <se:WellKnownName>triangle</se:WellKnownName>
        <se:Fill>
         <se:SvgParameter name="fill">#ffffff</se:SvgParameter>
        </se:Fill>
        <se:Stroke>
         <se:SvgParameter name="stroke">#8a4a12</se:SvgParameter>
         <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
        </se:Stroke>
       </se:Mark>
       <se:Size>10.00</se:Size>
      </se:Graphic>
     </se:PointSymbolizer>
    </se:Rule>
   </se:FeatureTypeStyle>
  </UserStyle>
 </NamedLayer>
</StyledLayerDescriptor>
