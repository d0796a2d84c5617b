<?xml version="1.0" encoding="UTF-8"?>
<StyledLayerDescriptor xmlns="http://www.opengis.net/sld" xmlns:se="http://www.opengis.net/se" xmlns:ogc="http://www.opengis.net/ogc" version="1.1.0">
 <!-- Style of the layer rule_areas: hatched by what rules do there: a tile as SVG within the file, and for programs that show none a standard mark. Sizes in pixels of 0.28 mm. -->
 <NamedLayer>
  <se:Name>rule_areas</se:Name>
  <UserStyle>
   <se:Name>rule_areas</se:Name>
   <se:FeatureTypeStyle>
    <se:Rule>
     <se:Name>no site</se:Name>
     <se:Description>
      <se:Title>no site</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>action</ogc:PropertyName>
       <ogc:Literal>exclude</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:PolygonSymbolizer>
      <se:Fill>
       <se:GraphicFill>
        <se:Graphic>
         <se:ExternalGraphic>
          <se:InlineContent encoding="base64">PHN2ZyB4bWxucz0iaHR0cDovL3d3dy53My5vcmcvMjAwMC9zdmciIHdpZHRoPSI4IiBoZWlnaHQ9IjgiIHZpZXdCb3g9IjAgMCA4IDgiPjxwYXRoIGQ9Ik0wIDhMOCAwTS0xIDFMMSAtMU03IDlMOSA3TTAgMEw4IDhNLTEgN0wxIDlNNyAtMUw5IDEiIGZpbGw9Im5vbmUiIHN0cm9rZT0iIzhhNGExMiIgc3Ryb2tlLXdpZHRoPSIxIi8+PC9zdmc+</se:InlineContent>
          <se:Format>image/svg+xml</se:Format>
         </se:ExternalGraphic>
         <se:Mark>
          <se:WellKnownName>x</se:WellKnownName>
          <se:Stroke>
           <se:SvgParameter name="stroke">#8a4a12</se:SvgParameter>
          </se:Stroke>
         </se:Mark>
         <se:Size>8</se:Size>
        </se:Graphic>
       </se:GraphicFill>
      </se:Fill>
      <se:Stroke>
       <se:SvgParameter name="stroke">#8a4a12</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">1 0</se:SvgParameter>
      </se:Stroke>
     </se:PolygonSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>subject to conditions</se:Name>
     <se:Description>
      <se:Title>subject to conditions</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>action</ogc:PropertyName>
       <ogc:Literal>conditional</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:PolygonSymbolizer>
      <se:Fill>
       <se:GraphicFill>
        <se:Graphic>
         <se:ExternalGraphic>
          <se:InlineContent encoding="base64">PHN2ZyB4bWxucz0iaHR0cDovL3d3dy53My5vcmcvMjAwMC9zdmciIHdpZHRoPSI4IiBoZWlnaHQ9IjgiIHZpZXdCb3g9IjAgMCA4IDgiPjxwYXRoIGQ9Ik0wIDhMOCAwTS0xIDFMMSAtMU03IDlMOSA3IiBmaWxsPSJub25lIiBzdHJva2U9IiNiMDczMWEiIHN0cm9rZS13aWR0aD0iMSIvPjwvc3ZnPg==</se:InlineContent>
          <se:Format>image/svg+xml</se:Format>
         </se:ExternalGraphic>
         <se:Mark>
          <se:WellKnownName>x</se:WellKnownName>
          <se:Stroke>
           <se:SvgParameter name="stroke">#b0731a</se:SvgParameter>
          </se:Stroke>
         </se:Mark>
         <se:Size>8</se:Size>
        </se:Graphic>
       </se:GraphicFill>
      </se:Fill>
      <se:Stroke>
       <se:SvgParameter name="stroke">#b0731a</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">8 3</se:SvgParameter>
      </se:Stroke>
     </se:PolygonSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>fish-safe turbines only</se:Name>
     <se:Description>
      <se:Title>fish-safe turbines only</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>action</ogc:PropertyName>
       <ogc:Literal>fish_safe_only</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:PolygonSymbolizer>
      <se:Fill>
       <se:GraphicFill>
        <se:Graphic>
         <se:ExternalGraphic>
          <se:InlineContent encoding="base64">PHN2ZyB4bWxucz0iaHR0cDovL3d3dy53My5vcmcvMjAwMC9zdmciIHdpZHRoPSI4IiBoZWlnaHQ9IjgiIHZpZXdCb3g9IjAgMCA4IDgiPjxwYXRoIGQ9Ik0wIDRIOCIgZmlsbD0ibm9uZSIgc3Ryb2tlPSIjMTM3MDZmIiBzdHJva2Utd2lkdGg9IjEiLz48L3N2Zz4=</se:InlineContent>
          <se:Format>image/svg+xml</se:Format>
         </se:ExternalGraphic>
         <se:Mark>
          <se:WellKnownName>cross</se:WellKnownName>
          <se:Stroke>
           <se:SvgParameter name="stroke">#13706f</se:SvgParameter>
          </se:Stroke>
         </se:Mark>
         <se:Size>8</se:Size>
        </se:Graphic>
       </se:GraphicFill>
      </se:Fill>
      <se:Stroke>
       <se:SvgParameter name="stroke">#13706f</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">12 3</se:SvgParameter>
      </se:Stroke>
     </se:PolygonSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>turbines fish-safe as built only</se:Name>
     <se:Description>
      <se:Title>turbines fish-safe as built only</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>action</ogc:PropertyName>
       <ogc:Literal>fish_safe_as_built</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:PolygonSymbolizer>
      <se:Fill>
       <se:GraphicFill>
        <se:Graphic>
         <se:ExternalGraphic>
          <se:InlineContent encoding="base64">PHN2ZyB4bWxucz0iaHR0cDovL3d3dy53My5vcmcvMjAwMC9zdmciIHdpZHRoPSI4IiBoZWlnaHQ9IjgiIHZpZXdCb3g9IjAgMCA4IDgiPjxwYXRoIGQ9Ik0wIDRIOE00IDBWOCIgZmlsbD0ibm9uZSIgc3Ryb2tlPSIjMTM3MDZmIiBzdHJva2Utd2lkdGg9IjEiLz48L3N2Zz4=</se:InlineContent>
          <se:Format>image/svg+xml</se:Format>
         </se:ExternalGraphic>
         <se:Mark>
          <se:WellKnownName>cross</se:WellKnownName>
          <se:Stroke>
           <se:SvgParameter name="stroke">#13706f</se:SvgParameter>
          </se:Stroke>
         </se:Mark>
         <se:Size>8</se:Size>
        </se:Graphic>
       </se:GraphicFill>
      </se:Fill>
      <se:Stroke>
       <se:SvgParameter name="stroke">#13706f</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">12 3 2 3</se:SvgParameter>
      </se:Stroke>
     </se:PolygonSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>no diversion</se:Name>
     <se:Description>
      <se:Title>no diversion</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>action</ogc:PropertyName>
       <ogc:Literal>no_diversion</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:PolygonSymbolizer>
      <se:Fill>
       <se:GraphicFill>
        <se:Graphic>
         <se:ExternalGraphic>
          <se:InlineContent encoding="base64">PHN2ZyB4bWxucz0iaHR0cDovL3d3dy53My5vcmcvMjAwMC9zdmciIHdpZHRoPSI4IiBoZWlnaHQ9IjgiIHZpZXdCb3g9IjAgMCA4IDgiPjxwYXRoIGQ9Ik00IDBWOCIgZmlsbD0ibm9uZSIgc3Ryb2tlPSIjMTM3MDZmIiBzdHJva2Utd2lkdGg9IjEiLz48L3N2Zz4=</se:InlineContent>
          <se:Format>image/svg+xml</se:Format>
         </se:ExternalGraphic>
         <se:Mark>
          <se:WellKnownName>cross</se:WellKnownName>
          <se:Stroke>
           <se:SvgParameter name="stroke">#13706f</se:SvgParameter>
          </se:Stroke>
         </se:Mark>
         <se:Size>8</se:Size>
        </se:Graphic>
       </se:GraphicFill>
      </se:Fill>
      <se:Stroke>
       <se:SvgParameter name="stroke">#13706f</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">4 4</se:SvgParameter>
      </se:Stroke>
     </se:PolygonSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>no new barrier</se:Name>
     <se:Description>
      <se:Title>no new barrier</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>action</ogc:PropertyName>
       <ogc:Literal>no_new_barrier</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:PolygonSymbolizer>
      <se:Fill>
       <se:GraphicFill>
        <se:Graphic>
         <se:ExternalGraphic>
          <se:InlineContent encoding="base64">PHN2ZyB4bWxucz0iaHR0cDovL3d3dy53My5vcmcvMjAwMC9zdmciIHdpZHRoPSI4IiBoZWlnaHQ9IjgiIHZpZXdCb3g9IjAgMCA4IDgiPjxwYXRoIGQ9Ik0wIDBMOCA4TS0xIDdMMSA5TTcgLTFMOSAxIiBmaWxsPSJub25lIiBzdHJva2U9IiMyNjM0M2QiIHN0cm9rZS13aWR0aD0iMSIvPjwvc3ZnPg==</se:InlineContent>
          <se:Format>image/svg+xml</se:Format>
         </se:ExternalGraphic>
         <se:Mark>
          <se:WellKnownName>x</se:WellKnownName>
          <se:Stroke>
           <se:SvgParameter name="stroke">#26343d</se:SvgParameter>
          </se:Stroke>
         </se:Mark>
         <se:Size>8</se:Size>
        </se:Graphic>
       </se:GraphicFill>
      </se:Fill>
      <se:Stroke>
       <se:SvgParameter name="stroke">#26343d</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">6 3 2 3</se:SvgParameter>
      </se:Stroke>
     </se:PolygonSymbolizer>
    </se:Rule>
    <se:Rule>
     <se:Name>note only</se:Name>
     <se:Description>
      <se:Title>note only</se:Title>
     </se:Description>
     <ogc:Filter>
      <ogc:PropertyIsEqualTo>
       <ogc:PropertyName>action</ogc:PropertyName>
       <ogc:Literal>note</ogc:Literal>
      </ogc:PropertyIsEqualTo>
     </ogc:Filter>
     <se:PolygonSymbolizer>
      <se:Fill>
       <se:GraphicFill>
        <se:Graphic>
         <se:ExternalGraphic>
          <se:InlineContent encoding="base64">PHN2ZyB4bWxucz0iaHR0cDovL3d3dy53My5vcmcvMjAwMC9zdmciIHdpZHRoPSIxNiIgaGVpZ2h0PSI2IiB2aWV3Qm94PSIwIDAgMTYgNiI+PHBhdGggZD0iTTAgNkwxNiAwTS0xIDAuMzc1TDEgLTAuMzc1TTE1IDYuMzc1TDE3IDUuNjI1IiBmaWxsPSJub25lIiBzdHJva2U9IiM3ZDg4OGYiIHN0cm9rZS13aWR0aD0iMSIvPjwvc3ZnPg==</se:InlineContent>
          <se:Format>image/svg+xml</se:Format>
         </se:ExternalGraphic>
         <se:Mark>
          <se:WellKnownName>x</se:WellKnownName>
          <se:Stroke>
           <se:SvgParameter name="stroke">#7d888f</se:SvgParameter>
          </se:Stroke>
         </se:Mark>
         <se:Size>6</se:Size>
        </se:Graphic>
       </se:GraphicFill>
      </se:Fill>
      <se:Stroke>
       <se:SvgParameter name="stroke">#7d888f</se:SvgParameter>
       <se:SvgParameter name="stroke-width">1.07</se:SvgParameter>
       <se:SvgParameter name="stroke-dasharray">2 4</se:SvgParameter>
      </se:Stroke>
     </se:PolygonSymbolizer>
    </se:Rule>
   </se:FeatureTypeStyle>
  </UserStyle>
 </NamedLayer>
</StyledLayerDescriptor>
