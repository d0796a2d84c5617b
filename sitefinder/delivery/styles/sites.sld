<?xml version="1.0" encoding="UTF-8"?>
<StyledLayerDescriptor xmlns="http://www.opengis.net/sld" xmlns:se="http://www.opengis.net/se" xmlns:ogc="http://www.opengis.net/ogc" version="1.1.0">
 <!-- Style of the layer sites: sites at their tailraces: larger and darker the better they rank, the best on top. Sizes in pixels of 0.28 mm. -->
 <NamedLayer>
  <se:Name>sites</se:Name>
  <UserStyle>
   <se:Name>sites</se:Name>
   <se:FeatureTypeStyle>
    <se:Rule>
     <se:Name>rank 1 to 5</se:Name>
     <se:Description>
      <se:Title>rank 1 to 5</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsBetween>
       <ogc:PropertyName>rank</ogc:PropertyName>
       <ogc:LowerBoundary>
        <ogc:Literal>1</ogc:Literal>
       </ogc:LowerBoundary>
       <ogc:UpperBoundary>
        <ogc:Literal>5</ogc:Literal>
       </ogc:UpperBoundary>
      </ogc:PropertyIsBetween>
     </ogc:Filter>
     <se:PointSymbolizer>
      <se:Graphic>
       <se:Mark>
        <se:WellKnownName>square</se:WellKnownName>
        <se:Fill>
         <se:SvgParameter name="fill">#b0731a</se:SvgParameter>
        </se:Fill>
        <se:Stroke>
         <se:SvgParameter name="stroke">#ffffff</se:SvgParameter>
         <se:SvgParameter name="stroke-width">1.43</se:SvgParameter>
        </se:Stroke>
       </se:Mark>
       <se:Size>21.43</se:Size>
       <se:Rotation>
        <ogc:Literal>45</ogc:Literal>
       </se:Rotation>
      </se:Graphic>
     </se:PointSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>rank 6 to 20</se:Name>
     <se:Description>
      <se:Title>rank 6 to 20</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsBetween>
       <ogc:PropertyName>rank</ogc:PropertyName>
       <ogc:LowerBoundary>
        <ogc:Literal>6</ogc:Literal>
       </ogc:LowerBoundary>
       <ogc:UpperBoundary>
        <ogc:Literal>20</ogc:Literal>
       </ogc:UpperBoundary>
      </ogc:PropertyIsBetween>
     </ogc:Filter>
     <se:PointSymbolizer>
      <se:Graphic>
       <se:Mark>
        <se:WellKnownName>circle</se:WellKnownName>
        <se:Fill>
         <se:SvgParameter name="fill">#e2bd74</se:SvgParameter>
        </se:Fill>
        <se:Stroke>
         <se:SvgParameter name="stroke">#26343d</se:SvgParameter>
         <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
        </se:Stroke>
       </se:Mark>
       <se:Size>15.00</se:Size>
      </se:Graphic>
     </se:PointSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>rank 21 and beyond</se:Name>
     <se:Description>
      <se:Title>rank 21 and beyond</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsBetween>
       <ogc:PropertyName>rank</ogc:PropertyName>
       <ogc:LowerBoundary>
        <ogc:Literal>21</ogc:Literal>
       </ogc:LowerBoundary>
       <ogc:UpperBoundary>
        <ogc:Literal>1000000</ogc:Literal>
       </ogc:UpperBoundary>
      </ogc:PropertyIsBetween>
     </ogc:Filter>
     <se:PointSymbolizer>
      <se:Graphic>
       <se:Mark>
        <se:WellKnownName>circle</se:WellKnownName>
        <se:Fill>
         <se:SvgParameter name="fill">#ffffff</se:SvgParameter>
        </se:Fill>
        <se:Stroke>
         <se:SvgParameter name="stroke">#26343d</se:SvgParameter>
         <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
        </se:Stroke>
       </se:Mark>
       <se:Size>9.29</se:Size>
      </se:Graphic>
     </se:PointSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:TextSymbolizer>
      <se:Label>
       <ogc:PropertyName>rank</ogc:PropertyName>
      </se:Label>
      <se:Font>
       <se:SvgParameter name="font-size">12</se:SvgParameter>
      </se:Font>
      <se:LabelPlacement>
       <se:PointPlacement>
        <se:AnchorPoint>
         <se:AnchorPointX>0</se:AnchorPointX>
         <se:AnchorPointY>0</se:AnchorPointY>
        </se:AnchorPoint>
        <se:Displacement>
         <se:DisplacementX>9</se:DisplacementX>
         <se:DisplacementY>6</se:DisplacementY>
        </se:Displacement>
       </se:PointPlacement>
      </se:LabelPlacement>
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
