<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>
{% macro layer_of(kind, options) %}
<layer class="{{ kind }}" enabled="1" locked="0" pass="0">
  <Option type="Map">
    {% for name, value in options.items() %}
    <Option type="QString" name="{{ name }}" value="{{ value }}"/>
    {% endfor %}
  </Option>
</layer>
{% endmacro %}

{% macro mark(rule, shape, turned) %}
{{ layer_of("SimpleMarker", {
  "name": shape,
  "color": rule.fill | rgba,
  "outline_color": rule.stroke | rgba,
  "outline_style": "dash" if rule.dash else "solid",
  "outline_width": rule.width | g,
  "outline_width_unit": "Point",
  "size": rule.size | g,
  "size_unit": "Point",
  "angle": turned,
}) }}
{% endmacro %}

<qgis version="3.28" styleCategories="Symbology">
  <renderer-v2 type="RuleRenderer" symbollevels="0" enableorderby="0" forceraster="0">
    <rules key="root">
      {% for rule in rules %}
      <rule key="r{{ loop.index0 }}" symbol="{{ loop.index0 }}" label={{ rule.label | quoted }}
        {%- if rule.expression %} filter={{ rule.expression | quoted }}{% endif %}/>
      {% endfor %}
    </rules>
    <symbols>
      {% for rule in rules %}
      <symbol type="{{ {'mark': 'marker', 'line': 'line', 'area': 'fill'}[rule.kind] }}" {# -#}
              name="{{ loop.index0 }}" alpha="1" clip_to_extent="1" force_rhr="0">
        {% if rule.kind == "mark" %}
        {{ mark(rule, *marks[rule.mark][1]) }}
        {% if rule.crossed %}
        {{ mark(rule, "cross2", 0) }}
        {% endif %}
        {% else %}
        {{ layer_of("SimpleLine", {
          "line_color": rule.stroke | rgba,
          "line_width": rule.width | g,
          "line_width_unit": "Point",
          "line_style": "solid",
          "use_custom_dash": "1" if rule.dash else "0",
          "customdash": rule.dash | map("g") | join(";") or "5;2",
          "customdash_unit": "Point",
        }) }}
        {% endif %}
      </symbol>
      {% endfor %}
    </symbols>
  </renderer-v2>
</qgis>
