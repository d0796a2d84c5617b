<?xml version="1.0" encoding="UTF-8"?>
<StyledLayerDescriptor xmlns="http://www.opengis.net/sld" xmlns:se="http://www.opengis.net/se" xmlns:ogc="http://www.opengis.net/ogc" version="1.1.0">
 <!-- Style of the layer structures: existing structures, and steps of the profile that no structure explains. Sizes in pixels of 0.28 mm. -->
 <NamedLayer>
  <se:Name>structures</se:Name>
  <UserStyle>
   <se:Name>structures</se:Name>
   <se:FeatureTypeStyle>
    <se:Rule>
     <se:Name>structure with a plant</se:Name>
     <se:Description>
      <se:Title>structure with a plant</se:Title>
     </se:Description>
     <!-- Some programs read true or false of a GeoPackage as such, others as 1 or 0. -->
     <ogc:Filter>
      <ogc:Or>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>powered</ogc:PropertyName>
        <ogc:Literal>true</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>powered</ogc:PropertyName>
        <ogc:Literal>1</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:Or>
     </ogc:Filter>
     <se:PointSymbolizer>
      <se:Graphic>
       <se:Mark>
        <se:WellKnownName>square</se:WellKnownName>
        <se:Fill>
         <se:SvgParameter name="fill">#26343d</se:SvgParameter>
        </se:Fill>
        <se:Stroke>
         <se:SvgParameter name="stroke">#26343d</se:SvgParameter>
         <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
        </se:Stroke>
       </se:Mark>
       <se:Size>10.71</se:Size>
      </se:Graphic>
     </se:PointSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>structure</se:Name>
     <se:Description>
      <se:Title>structure</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:Or>
        <ogc:PropertyIsEqualTo>
         <ogc:PropertyName>powered</ogc:PropertyName>
         <ogc:Literal>false</ogc:Literal>
        </ogc:PropertyIsEqualTo>
        <ogc:PropertyIsEqualTo>
         <ogc:PropertyName>powered</ogc:PropertyName>
         <ogc:Literal>0</ogc:Literal>
        </ogc:PropertyIsEqualTo>
       </ogc:Or>
       <ogc:Or>
        <ogc:PropertyIsEqualTo>
         <ogc:PropertyName>removed</ogc:PropertyName>
         <ogc:Literal>false</ogc:Literal>
        </ogc:PropertyIsEqualTo>
        <ogc:PropertyIsEqualTo>
         <ogc:PropertyName>removed</ogc:PropertyName>
         <ogc:Literal>0</ogc:Literal>
        </ogc:PropertyIsEqualTo>
       </ogc:Or>
      </ogc:And>
     </ogc:Filter>
     <se:PointSymbolizer>
      <se:Graphic>
       <se:Mark>
        <se:WellKnownName>square</se:WellKnownName>
        <se:Fill>
         <se:SvgParameter name="fill">#ffffff</se:SvgParameter>
        </se:Fill>
        <se:Stroke>
         <se:SvgParameter name="stroke">#26343d</se:SvgParameter>
         <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
        </se:Stroke>
       </se:Mark>
       <se:Size>8.57</se:Size>
      </se:Graphic>
     </se:PointSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>removed structure</se:Name>
     <se:Description>
      <se:Title>removed structure</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:Or>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>removed</ogc:PropertyName>
        <ogc:Literal>true</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>removed</ogc:PropertyName>
        <ogc:Literal>1</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:Or>
     </ogc:Filter>
     <se:PointSymbolizer>
      <se:Graphic>
       <se:Mark>
        <se:WellKnownName>cross</se:WellKnownName>
        <se:Fill>
         <se:SvgParameter name="fill">#ffffff</se:SvgParameter>
        </se:Fill>
        <se:Stroke>
         <se:SvgParameter name="stroke">#7d888f</se:SvgParameter>
         <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
        </se:Stroke>
       </se:Mark>
       <se:Size>8.57</se:Size>
      </se:Graphic>
     </se:PointSymbolizer>
    </se:Rule>
   </se:FeatureTypeStyle>
  </UserStyle>
 </NamedLayer>
</StyledLayerDescriptor>
