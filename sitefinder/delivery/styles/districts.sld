<?xml version="1.0" encoding="UTF-8"?>
<StyledLayerDescriptor xmlns="http://www.opengis.net/sld" xmlns:se="http://www.opengis.net/se" xmlns:ogc="http://www.opengis.net/ogc" version="1.1.0">
 <!-- Style of the layer districts: borders of districts. Sizes in pixels of 0.28 mm. -->
 <NamedLayer>
  <se:Name>districts</se:Name>
  <UserStyle>
   <se:Name>districts</se:Name>
   <se:FeatureTypeStyle>
    <se:Rule>
     <se:Name>district</se:Name>
     <se:Description>
      <se:Title>district</se:Title>
     </se:Description>
     <se:PolygonSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#7d888f</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.43</se:SvgParameter>
       <se:SvgParameter name="stroke-linecap">butt</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">14.29 4.29 2.14 4.29</se:SvgParameter>
      </se:Stroke>
     </se:PolygonSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:TextSymbolizer>
      <se:Label>
       <ogc:PropertyName>district</ogc:PropertyName>
      </se:Label>
      <se:Font>
       <se:SvgParameter name="font-size">12</se:SvgParameter>
      </se:Font>
      <se:Halo>
       <se:Radius>2</se:Radius>
       <se:Fill>
        <se:SvgParameter name="fill">#ffffff</se:SvgParameter>
       </se:Fill>
      </se:Halo>
      <se:Fill>
       <se:SvgParameter name="fill">#26343d</se:SvgParameter>
      </se:Fill>
     </se:TextSymbolizer>
    </se:Rule>
   </se:FeatureTypeStyle>
  </UserStyle>
 </NamedLayer>
</StyledLayerDescriptor>
