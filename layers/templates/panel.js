/* Panel: species picker, method switches, legend, count, and the position under the pointer. */
(function (root) {
  "use strict";
  const { marks, cards } = root.Rifflebook;
  const { make } = cards;

  function degrees(value, positive, negative) {
    return Math.abs(value).toFixed(5) + "° " + (value < 0 ? negative : positive);
  }

  /** Control that tells where the pointer, or else the middle of the map, is. */
  function positionControl() {
    const Position = L.Control.extend({
      options: { position: "bottomleft" },
      onAdd(map) {
        const box = L.DomUtil.create("output", "rb-position");
        box.setAttribute("aria-label", "Position under the pointer, degrees on WGS 84");
        const tell = (at) => {
          const where = at.wrap();
          box.textContent = degrees(where.lat, "N", "S") + ", " + degrees(where.lng, "E", "W");
        };
        map.on("mousemove", (event) => tell(event.latlng));
        map.on("mouseout moveend", () => tell(map.getCenter()));
        map.whenReady(() => tell(map.getCenter()));
        return box;
      },
    });
    return new Position();
  }

  function speciesPicker(config, chosen, onPick) {
    const label = make("label", "Species ", "rb-field");
    const select = make("select");
    select.append(new Option("any species", ""));
    config.species.forEach((row) => {
      const name = row.vernacular_name ? row.species + " (" + row.vernacular_name + ")" : row.species;
      select.append(new Option(name, row.species, false, row.species === chosen));
    });
    select.addEventListener("change", () => onPick(select.value));
    label.append(select);
    return label;
  }

  function legend(config, species, hidden, onSwitch) {
    const box = make("div", null, "rb-legend");
    const words = marks.wordsOf(species);
    const states = make("ul");
    marks.STATES.filter((state) => species || state !== "other").forEach((state) => {
      const line = make("li");
      line.append(marks.symbol("trap", state), " " + words[state]);
      states.append(line);
    });
    const methods = make("fieldset");
    methods.append(make("legend", "Gear"));
    config.methods.forEach((row) => {
      const line = make("label", null, "rb-switch");
      const tick = make("input");
      tick.type = "checkbox";
      tick.checked = !hidden.has(row.method);
      tick.addEventListener("change", () => onSwitch(row.method, tick.checked));
      line.append(tick, marks.symbol(row.gear_kind, "nil"), " " + row.label);
      methods.append(line);
    });
    const lines = make("ul", null, "rb-lines");
    [
      ["rb-line-reach", "reach, wider with stream order"],
      ["rb-line-still", "path through still water, ditch or connector"],
      ["rb-line-stretch", "sampled stretch"],
      ["rb-line-snap", "from a placement to its reach"],
      ["rb-line-catchment", "catchment"],
    ].forEach((of) => {
      const line = make("li");
      line.append(make("span", null, "rb-line " + of[0]), " " + of[1]);
      lines.append(line);
    });
    const doubt = make("li");
    doubt.append(make("span", "?", "rb-doubt"), " reach in doubt: another is as near");
    lines.append(doubt);
    box.append(states);
    if (config.methods.length) box.append(methods);
    box.append(lines);
    return box;
  }

  /** Control with everything that explains or narrows the map. */
  function panelControl(config, state, redraw) {
    const Panel = L.Control.extend({
      options: { position: "topright" },
      onAdd(map) {
        const box = L.DomUtil.create("details", "rb-panel");
        box.open = map.getSize().x > 700 && map.getSize().y > 420;
        const room = () => {
          box.style.maxHeight = map.getSize().y - 120 + "px"; // the zoom buttons stay free
        };
        map.on("resize", room);
        room();
        L.DomEvent.disableClickPropagation(box);
        L.DomEvent.disableScrollPropagation(box);
        const fill = () => {
          const parts = [make("summary", "Legend")];
          this.count = make("p", null, "rb-count");
          this.count.setAttribute("role", "status");
          if (config.picker) {
            parts.push(
              speciesPicker(config, state.species, (name) => {
                state.species = name;
                fill();
                redraw();
              }),
            );
          }
          parts.push(this.count);
          parts.push(
            legend(config, state.species, state.hidden, (method, on) => {
              if (on) state.hidden.delete(method);
              else state.hidden.add(method);
              redraw();
            }),
          );
          box.replaceChildren(...parts);
        };
        fill();
        return box;
      },
      tell(counts) {
        const words = marks.wordsOf(state.species);
        const parts = marks.STATES.filter((key) => counts[key]).map(
          (key) => counts[key] + " " + words[key],
        );
        const total = Object.values(counts).reduce((sum, n) => sum + n, 0);
        const what = total === 1 ? "1 placement" : total.toLocaleString("en") + " placements";
        this.count.textContent = what + (parts.length ? ": " + parts.join("; ") : "");
      },
    });
    return new Panel();
  }

  Object.assign(root.Rifflebook, { panel: { positionControl, panelControl } });
})(window);
