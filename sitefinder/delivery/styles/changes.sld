<?xml version="1.0" encoding="UTF-8"?>
<StyledLayerDescriptor xmlns="http://www.opengis.net/sld" xmlns:se="http://www.opengis.net/se" xmlns:ogc="http://www.opengis.net/ogc" version="1.1.0">
 <!-- Style of the layer changes: reaches and sites by what became of them from one run to the next; sites are wider. Sizes in pixels of 0.28 mm. -->
 <NamedLayer>
  <se:Name>changes</se:Name>
  <UserStyle>
   <se:Name>changes</se:Name>
   <se:FeatureTypeStyle>
    <se:Rule>
     <se:Name>unchanged</se:Name>
     <se:Description>
      <se:Title>reach, unchanged</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>kind</ogc:PropertyName>
        <ogc:Literal>reach</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>change</ogc:PropertyName>
        <ogc:Literal>unchanged</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:And>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#7d888f</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>moved in rank</se:Name>
     <se:Description>
      <se:Title>reach, moved in rank</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>kind</ogc:PropertyName>
        <ogc:Literal>reach</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>change</ogc:PropertyName>
        <ogc:Literal>moved in rank</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:And>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#26343d</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.43</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>changed by decisions</se:Name>
     <se:Description>
      <se:Title>reach, changed by decisions</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>kind</ogc:PropertyName>
        <ogc:Literal>reach</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>change</ogc:PropertyName>
        <ogc:Literal>changed by decisions</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:And>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#b0731a</se:SvgParameter>
       <se:SvgParameter name="stroke-width">2.14</se:SvgParameter>
       <se:SvgParameter name="stroke-linecap">butt</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">2.14 3.57</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>changed by rules</se:Name>
     <se:Description>
      <se:Title>reach, changed by rules</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>kind</ogc:PropertyName>
        <ogc:Literal>reach</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>change</ogc:PropertyName>
        <ogc:Literal>changed by rules</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:And>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#b0731a</se:SvgParameter>
       <se:SvgParameter name="stroke-width">2.14</se:SvgParameter>
       <se:SvgParameter name="stroke-linecap">butt</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">10.71 3.57 2.14 3.57</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>changed in value</se:Name>
     <se:Description>
      <se:Title>reach, changed in value</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>kind</ogc:PropertyName>
        <ogc:Literal>reach</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>change</ogc:PropertyName>
        <ogc:Literal>changed in value</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:And>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#b0731a</se:SvgParameter>
       <se:SvgParameter name="stroke-width">2.14</se:SvgParameter>
       <se:SvgParameter name="stroke-linecap">butt</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">10.71 3.57</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>re-admitted</se:Name>
     <se:Description>
      <se:Title>reach, re-admitted</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>kind</ogc:PropertyName>
        <ogc:Literal>reach</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>change</ogc:PropertyName>
        <ogc:Literal>re-admitted</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:And>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#13706f</se:SvgParameter>
       <se:SvgParameter name="stroke-width">2.86</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>newly excluded</se:Name>
     <se:Description>
      <se:Title>reach, newly excluded</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>kind</ogc:PropertyName>
        <ogc:Literal>reach</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>change</ogc:PropertyName>
        <ogc:Literal>newly excluded</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:And>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#8a4a12</se:SvgParameter>
       <se:SvgParameter name="stroke-width">2.86</se:SvgParameter>
       <se:SvgParameter name="stroke-linecap">butt</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">3.57 3.57</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>appeared</se:Name>
     <se:Description>
      <se:Title>reach, appeared</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>kind</ogc:PropertyName>
        <ogc:Literal>reach</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>change</ogc:PropertyName>
        <ogc:Literal>appeared</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:And>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#13706f</se:SvgParameter>
       <se:SvgParameter name="stroke-width">2.86</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>vanished</se:Name>
     <se:Description>
      <se:Title>reach, vanished</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>kind</ogc:PropertyName>
        <ogc:Literal>reach</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>change</ogc:PropertyName>
        <ogc:Literal>vanished</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:And>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#8a4a12</se:SvgParameter>
       <se:SvgParameter name="stroke-width">2.86</se:SvgParameter>
       <se:SvgParameter name="stroke-linecap">butt</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">3.57 3.57</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
   </se:FeatureTypeStyle>
   <!-- Sites are drawn after the reaches, over them. -->
   <se:FeatureTypeStyle>
    <se:Rule>
     <se:Name>unchanged</se:Name>
     <se:Description>
      <se:Title>site, unchanged</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>kind</ogc:PropertyName>
        <ogc:Literal>site</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>change</ogc:PropertyName>
        <ogc:Literal>unchanged</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:And>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#7d888f</se:SvgParameter>
       <se:SvgParameter name="stroke-width">3.21</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>moved in rank</se:Name>
     <se:Description>
      <se:Title>site, moved in rank</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>kind</ogc:PropertyName>
        <ogc:Literal>site</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>change</ogc:PropertyName>
        <ogc:Literal>moved in rank</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:And>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#26343d</se:SvgParameter>
       <se:SvgParameter name="stroke-width">4.29</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>changed by decisions</se:Name>
     <se:Description>
      <se:Title>site, changed by decisions</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>kind</ogc:PropertyName>
        <ogc:Literal>site</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>change</ogc:PropertyName>
        <ogc:Literal>changed by decisions</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:And>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#b0731a</se:SvgParameter>
       <se:SvgParameter name="stroke-width">6.43</se:SvgParameter>
       <se:SvgParameter name="stroke-linecap">butt</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">2.14 3.57</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>changed by rules</se:Name>
     <se:Description>
      <se:Title>site, changed by rules</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>kind</ogc:PropertyName>
        <ogc:Literal>site</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>change</ogc:PropertyName>
        <ogc:Literal>changed by rules</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:And>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#b0731a</se:SvgParameter>
       <se:SvgParameter name="stroke-width">6.43</se:SvgParameter>
       <se:SvgParameter name="stroke-linecap">butt</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">10.71 3.57 2.14 3.57</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>changed in value</se:Name>
     <se:Description>
      <se:Title>site, changed in value</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>kind</ogc:PropertyName>
        <ogc:Literal>site</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>change</ogc:PropertyName>
        <ogc:Literal>changed in value</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:And>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#b0731a</se:SvgParameter>
       <se:SvgParameter name="stroke-width">6.43</se:SvgParameter>
       <se:SvgParameter name="stroke-linecap">butt</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">10.71 3.57</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>re-admitted</se:Name>
     <se:Description>
      <se:Title>site, re-admitted</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>kind</ogc:PropertyName>
        <ogc:Literal>site</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>change</ogc:PropertyName>
        <ogc:Literal>re-admitted</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:And>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#13706f</se:SvgParameter>
       <se:SvgParameter name="stroke-width">8.57</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>newly excluded</se:Name>
     <se:Description>
      <se:Title>site, newly excluded</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>kind</ogc:PropertyName>
        <ogc:Literal>site</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>change</ogc:PropertyName>
        <ogc:Literal>newly excluded</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:And>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#8a4a12</se:SvgParameter>
       <se:SvgParameter name="stroke-width">8.57</se:SvgParameter>
       <se:SvgParameter name="stroke-linecap">butt</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">3.57 3.57</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>appeared</se:Name>
     <se:Description>
      <se:Title>site, appeared</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>kind</ogc:PropertyName>
        <ogc:Literal>site</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>change</ogc:PropertyName>
        <ogc:Literal>appeared</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:And>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#13706f</se:SvgParameter>
       <se:SvgParameter name="stroke-width">8.57</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>vanished</se:Name>
     <se:Description>
      <se:Title>site, vanished</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:And>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>kind</ogc:PropertyName>
        <ogc:Literal>site</ogc:Literal>
       </ogc:PropertyIsEqualTo>
       <ogc:PropertyIsEqualTo>
        <ogc:PropertyName>change</ogc:PropertyName>
        <ogc:Literal>vanished</ogc:Literal>
       </ogc:PropertyIsEqualTo>
      </ogc:And>
     </ogc:Filter>
     <se:LineSymbolizer>
      <se:Stroke>
       <se:SvgParameter name="stroke">#8a4a12</se:SvgParameter>
       <se:SvgParameter name="stroke-width">8.57</se:SvgParameter>
       <se:SvgParameter name="stroke-linecap">butt</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">3.57 3.57</se:SvgParameter>
      </se:Stroke>
     </se:LineSymbolizer>
    </se:Rule>
   </se:FeatureTypeStyle>
  </UserStyle>
 </NamedLayer>
</StyledLayerDescriptor>
