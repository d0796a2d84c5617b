<?xml version="1.0" encoding="UTF-8"?>
<StyledLayerDescriptor xmlns="http://www.opengis.net/sld" xmlns:se="http://www.opengis.net/se" xmlns:ogc="http://www.opengis.net/ogc" version="1.1.0">
 <!-- Style of the layer fish_passage: barriers and plants that fish meet, once for each group of fish. Sizes in pixels of 0.28 mm. -->
 <NamedLayer>
  <se:Name>fish_passage</se:Name>
  <UserStyle>
   <se:Name>fish_passage</se:Name>
   <se:FeatureTypeStyle>
    <se:Rule>
     <se:Name>barrier or plant that fish meet</se:Name>
     <se:Description>
      <se:Title>barrier or plant that fish meet</se:Title>
     </se:Description>
     <se:PointSymbolizer>
      <se:Graphic>
       <se:Mark>
        <se:WellKnownName>square</se:WellKnownName>
        <se:Fill>
         <se:SvgParameter name="fill">#4f968f</se:SvgParameter>
        </se:Fill>
        <se:Stroke>
         <se:SvgParameter name="stroke">#26343d</se:SvgParameter>
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
