/* View: reaches, catchments, stretches and placements on one Leaflet map.
   Layers hold GeoJSON at once, or an address from which what is in view is fetched. */
(function (root) {
  "use strict";
  const { marks, cards, panel } = root.Rifflebook;
  const { known } = cards;
  const STILL = new Set(["lake_path", "connector", "ditch"]);
  const FAR = 12; // zoom below which marks shrink
  const NEAR_PX = 12; // placements closer together on screen share one card

  function addPane(map, name, level) {
    const pane = map.createPane(name);
    pane.style.zIndex = level;
    pane.style.pointerEvents = "none"; // only placements answer to a click
  }

  function reachStyle(feature) {
    const order = Number(feature.properties.strahler) || 1;
    const still = STILL.has(feature.properties.kind);
    return {
      color: "#2f6f8f",
      weight: 0.8 + 0.9 * Math.min(order, 8),
      opacity: 0.85,
      dashArray: still ? "5 4" : null,
      lineCap: still ? "butt" : "round",
    };
  }

  /** A source of features: holds them, or fetches those in a padded view. */
  function source(layer) {
    let held = layer.data || null;
    let box = null;
    return {
      load(bounds) {
        if (!layer.url || (held && box && box.contains(bounds))) return Promise.resolve(held);
        const wanted = bounds.pad(0.5);
        const address = new URL(layer.url, document.baseURI);
        const edges = [
          Math.max(wanted.getWest(), -180),
          Math.max(wanted.getSouth(), -90),
          Math.min(wanted.getEast(), 180),
          Math.min(wanted.getNorth(), 90),
        ];
        address.searchParams.set("bbox", edges.map((edge) => edge.toFixed(5)).join(","));
        return fetch(address, { headers: { Accept: "application/geo+json" } })
          .then((answer) => {
            if (!answer.ok) throw new Error("The server answered " + answer.status);
            return answer.json();
          })
          .then((collection) => {
            held = collection;
            box = wanted;
            return held;
          });
      },
    };
  }

  /** Names of catchments, largest first, where they fit and do not run into each other. */
  function nameLayer(map, shapes) {
    const group = L.layerGroup();
    const sized = shapes.map((shape) => {
      const box = shape.getBounds();
      const text = String(shape.feature.properties.name || shape.feature.id);
      return { box, text, at: box.getCenter() };
    });
    const write = () => {
      group.clearLayers();
      const taken = [];
      const view = map.getBounds();
      sized
        .filter((one) => view.contains(one.at))
        .map((one) => {
          const low = map.latLngToLayerPoint(one.box.getSouthWest());
          const high = map.latLngToLayerPoint(one.box.getNorthEast());
          return Object.assign({ room: high.x - low.x, wide: one.text.length * 7 }, one);
        })
        .filter((one) => one.room > one.wide)
        .sort((a, b) => b.room - a.room)
        .slice(0, 200)
        .forEach((one) => {
          const middle = map.latLngToLayerPoint(one.at);
          const half = L.point(one.wide / 2 + 6, 11);
          const room = L.bounds(middle.subtract(half), middle.add(half));
          if (taken.some((other) => other.intersects(room))) return;
          taken.push(room);
          L.marker(one.at, {
            icon: L.divIcon({
              className: "rb-name",
              html: cards.make("span", one.text),
              iconSize: null,
            }),
            interactive: false,
            keyboard: false,
            pane: "rb-names",
          }).addTo(group);
        });
    };
    group.on("add", () => {
      map.on("moveend", write);
      write();
    });
    group.on("remove", () => map.off("moveend", write));
    return group;
  }

  function catchmentLayer(map, collection) {
    const outlines = L.geoJSON(collection, {
      pane: "rb-catchments",
      interactive: false,
      style: () => ({ color: "#7a6f57", weight: 1.4, dashArray: "2 5", fill: false }),
    });
    return L.layerGroup([outlines, nameLayer(map, outlines.getLayers())]);
  }

  /** Where a mark stands: the place recorded, or the middle of the cell that is shown of it. */
  function placeOf(feature) {
    if (!feature.geometry) return null;
    if (feature.geometry.type === "Point") {
      return L.latLng(feature.geometry.coordinates[1], feature.geometry.coordinates[0]);
    }
    return L.geoJSON(feature).getBounds().getCenter();
  }

  function snapLayer(feature) {
    const p = feature.properties;
    const at = placeOf(feature);
    if (!at || !known(p.snapped_longitude)) return null;
    const foot = [p.snapped_latitude, p.snapped_longitude];
    const group = L.layerGroup([
      L.polyline([at, foot], {
        pane: "rb-snaps",
        color: "#20302f",
        weight: 1,
        dashArray: "1 3",
        interactive: false,
      }),
    ]);
    if (p.ambiguous) {
      const icon = L.divIcon({ className: "rb-doubt", html: "?", iconSize: [14, 14] });
      L.marker(foot, { icon, interactive: false, keyboard: false, pane: "rb-doubts" }).addTo(group);
    }
    return group;
  }

  function placementMarker(feature, state, words) {
    const p = feature.properties;
    const icon = L.divIcon({
      className: "rb-mark rb-mark-" + state,
      html: marks.symbol(p.gear_kind, state),
      iconSize: [20, 20],
    });
    const marker = L.marker(placeOf(feature), { icon, zIndexOffset: state === "caught" ? 200 : 0 });
    marker.placement = p;
    marker.words = words;
    marker.on("add", () => {
      const name = (p.method_label || p.method) + " " + p.placement_id + ": " + words;
      marker.getElement().setAttribute("aria-label", name);
    });
    return marker;
  }

  function openCards(map, clicked, shown, link, byKey) {
    const at = map.latLngToContainerPoint(clicked.getLatLng());
    const here = shown.filter(
      (other) => at.distanceTo(map.latLngToContainerPoint(other.getLatLng())) <= NEAR_PX,
    );
    here.sort((a, b) => (a === clicked ? -1 : b === clicked ? 1 : 0));
    const box = cards.pager(here.length, (n) => cards.card(here[n].placement, here[n].words, link));
    L.popup({
      maxWidth: Math.min(340, map.getSize().x - 60),
      minWidth: 230,
      maxHeight: Math.min(360, map.getSize().y - 160),
      offset: [0, -4],
      autoPanPaddingTopLeft: [10, 60],
    })
      .setLatLng(clicked.getLatLng())
      .setContent(box)
      .openOn(map);
    if (byKey) {
      box.focus();
      map.once("popupclose", () => clicked.getElement() && clicked.getElement().focus());
    }
  }

  function say(map, text) {
    const box = map.getContainer();
    let line = box.querySelector(".rb-trouble");
    if (!line) {
      line = cards.make("p", null, "rb-trouble");
      line.setAttribute("role", "alert");
      box.append(line);
    }
    line.textContent = text;
    line.hidden = !text;
  }

  /** Show records on a map. `config` is described in layers/maps.py. */
  function showRecords(map, config) {
    const state = { species: config.chosen_species || "", hidden: new Set() };
    const draw = L.canvas({ padding: 0.3 });
    addPane(map, "rb-catchments", 340);
    addPane(map, "rb-names", 345);
    addPane(map, "rb-stretches", 380);
    addPane(map, "rb-snaps", 420);
    addPane(map, "rb-doubts", 640);
    map.attributionControl.setPrefix("Leaflet");
    if (config.tiles) {
      L.tileLayer(config.tiles.url, { attribution: config.tiles.attribution }).addTo(map);
    }
    L.control.scale({ imperial: false }).addTo(map);
    panel.positionControl().addTo(map);
    const groups = {};
    const put = (name, layer) => {
      if (groups[name]) groups[name].remove();
      groups[name] = layer.addTo(map);
    };
    let placements = null;
    let shown = [];
    const drawPlacements = () => {
      const words = marks.wordsOf(state.species);
      const group = L.layerGroup();
      const snaps = L.layerGroup();
      const counts = {};
      shown = [];
      (placements ? placements.features : []).forEach((feature) => {
        const p = feature.properties;
        if (!feature.geometry || state.hidden.has(p.method)) return;
        const is = marks.stateOf(p, state.species, config.detects);
        counts[is] = (counts[is] || 0) + 1;
        const marker = placementMarker(feature, is, words[is]);
        const open = (byKey) => openCards(map, marker, shown, config.placement_link, byKey);
        marker.on("click", () => open(false));
        marker.on("keydown", (event) => {
          if (event.originalEvent.key !== "Enter" && event.originalEvent.key !== " ") return;
          event.originalEvent.preventDefault();
          open(true);
        });
        shown.push(marker);
        group.addLayer(marker);
        const snap = snapLayer(feature);
        if (snap) snaps.addLayer(snap);
      });
      put("snaps", snaps);
      put("placements", group);
      control.tell(counts);
    };
    const control = panel.panelControl(config, state, drawPlacements).addTo(map);
    const makers = {
      catchments: (data) => put("catchments", catchmentLayer(map, data)),
      reaches: (data) =>
        put("reaches", L.geoJSON(data, { renderer: draw, interactive: false, style: reachStyle })),
      stretches: (data) =>
        put(
          "stretches",
          L.geoJSON(data, {
            pane: "rb-stretches",
            interactive: false,
            style: () => ({ color: "#d9a441", weight: 9, opacity: 0.55, lineCap: "butt" }),
          }),
        ),
      placements: (data) => {
        placements = data;
        drawPlacements();
      },
    };
    const sources = Object.keys(makers)
      .filter((name) => config.layers[name])
      .map((name) => ({ name, from: source(config.layers[name]), last: null }));
    const refresh = () =>
      Promise.all(
        sources.map((layer) =>
          layer.from.load(map.getBounds()).then((data) => {
            if (data === layer.last) return;
            layer.last = data;
            makers[layer.name](data);
          }),
        ),
      ).then(
        () => {
          say(map, "");
          map.getContainer().dataset.ready = "yes";
        },
        (trouble) => say(map, "Records could not be fetched. " + trouble.message + "."),
      );
    const far = () => map.getContainer().classList.toggle("rb-far", map.getZoom() < FAR);
    map.on("zoomend", far);
    far();
    map.on("moveend", refresh);
    return refresh();
  }

  Object.assign(root.Rifflebook, { showRecords });
})(window);
