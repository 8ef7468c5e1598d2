<?xml version="1.0" encoding="UTF-8"?>
{% macro compare(operator, column, value) %}
<ogc:{{ operator }}>
  <ogc:PropertyName>{{ column }}</ogc:PropertyName><ogc:Literal>{{ value }}</ogc:Literal>
</ogc:{{ operator }}>
{% endmacro %}

{% macro choice(rule) %}
{% set wrapped = rule.where | length + rule.bounds | length > 1 %}
<ogc:Filter>
  {% if wrapped %}<ogc:And>{% endif %}

  {% for column, values in rule.where %}
  {% if values | length > 1 %}<ogc:Or>{% endif %}

  {% for value in values %}{{ compare("PropertyIsEqualTo", column, value) }}{% endfor %}
  {% if values | length > 1 %}</ogc:Or>{% endif %}

  {% endfor %}
  {% for column, sign, limit in rule.bounds %}
  {{ compare("PropertyIsLessThan" if sign == "<" else "PropertyIsGreaterThanOrEqualTo",
             column, limit | g) }}
  {% endfor %}
  {% if wrapped %}</ogc:And>{% endif %}

</ogc:Filter>
{% endmacro %}

{% macro stroke(rule) %}
<Stroke>
  <CssParameter name="stroke">{{ rule.stroke }}</CssParameter>
  <CssParameter name="stroke-width">{{ rule.width }}</CssParameter>
  {% if rule.dash %}
  <CssParameter name="stroke-dasharray">{{ rule.dash | map("g") | join(" ") }}</CssParameter>
  {% endif %}
</Stroke>
{% endmacro %}

{% macro point(rule, name, turned, fill) %}
<PointSymbolizer><Graphic>
  <Mark>
    <WellKnownName>{{ name }}</WellKnownName>
    {% if fill %}
    <Fill><CssParameter name="fill">{{ fill }}</CssParameter></Fill>
    {% endif %}
    {{ stroke(rule) }}
  </Mark>
  <Size>{{ rule.size | g }}</Size>
  {% if turned %}
  <Rotation>{{ turned }}</Rotation>
  {% endif %}
</Graphic></PointSymbolizer>
{% endmacro %}

<StyledLayerDescriptor version="1.0.0" xmlns="http://www.opengis.net/sld" {# -#}
                       xmlns:ogc="http://www.opengis.net/ogc">
  <NamedLayer>
    <Name>{{ layer }}</Name>
    <UserStyle>
      <Title>{{ layer }}</Title>
      <FeatureTypeStyle>
        {% for rule in rules %}
        <Rule>
          <Title>{{ rule.label }}</Title>
          {% if rule.where or rule.bounds %}
          {{ choice(rule) }}
          {% endif %}
          {% if rule.kind == "line" %}
          <LineSymbolizer>{{ stroke(rule) }}</LineSymbolizer>
          {% elif rule.kind == "area" %}
          <PolygonSymbolizer>{{ stroke(rule) }}</PolygonSymbolizer>
          {% else %}
          {% set name, turned = marks[rule.mark][0] %}
          {{ point(rule, name, turned, rule.fill) }}
          {% if rule.crossed %}
          {{ point(rule, "cross", turned, none) }}
          {% endif %}
          {% endif %}
        </Rule>
        {% endfor %}
      </FeatureTypeStyle>
    </UserStyle>
  </NamedLayer>
</StyledLayerDescriptor>
