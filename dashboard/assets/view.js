// What the pages do in the browser: choices and zoom in the address, light and dark, and the place on the map
// of what the cursor is on. No numbers are made here.
(function () {
  "use strict";
  const COOKIE = "bothends-screen";
  const STORES = { "/balance": "balance-view", "/rider": "rider-view", "/compare": "compare-view",
    "/dampers": "damper-view", "/season": "season-view" };
  // Another one of these is another page; anything else changes in place.
  const NEW_PAGE = ["run", "other", "also"];
  // Each of these changes the axis, so a zoom on it would mean another stretch.
  const NEW_AXIS = ["run", "lap", "against"];
  const dc = (window.dash_clientside = window.dash_clientside || {});
  const root = document.documentElement;
  const prefersDark = window.matchMedia("(prefers-color-scheme: dark)");
  const coarse = window.matchMedia("(pointer: coarse)");
  let here = null; // path of the page that is shown

  // ---- light and dark ------------------------------------------------------------------------------------
  function chosenTheme() {
    try { return localStorage.getItem("bothends-theme"); } catch (e) { return null; }
  }
  function theme() { return chosenTheme() || (prefersDark.matches ? "dark" : "light"); }
  function screenWords() { return theme() + (coarse.matches ? " touch" : ""); }
  function paint() {
    root.dataset.theme = theme();
    document.cookie = COOKIE + "=" + screenWords().replace(" ", "-") + ";path=/;SameSite=Strict;max-age=31536000";
  }
  function repaint() {
    paint();
    dc.set_props("screen", { data: screenWords() });
    if (plot("rider-place") || plot("compare-travel")) { location.reload(); return; }  // drawn with its page
    tell();
  }
  function switchTheme() {
    const next = theme() === "dark" ? "light" : "dark";
    try { localStorage.setItem("bothends-theme", next); } catch (e) { /* private window: until reload */ }
    repaint();
  }
  prefersDark.addEventListener("change", repaint);
  paint();

  // ---- the address and the page --------------------------------------------------------------------------
  function tell() {
    const store = STORES[location.pathname];
    if (store && here === location.pathname && document.querySelector(".bar"))
      dc.set_props(store, { data: { search: location.search, screen: screenWords() } });
    sync();
  }
  // A block is asked for when it is in view and what it follows in the address has changed; what is out of view waits.
  const ZOOM = ["from", "to"];
  const inView = new WeakSet();
  const watcher = new IntersectionObserver(function (seen) {
    seen.forEach(one => { if (one.isIntersecting) inView.add(one.target); else inView.delete(one.target); });
    sync();
  }, { rootMargin: "250px" });
  function wanted(block, leaveOut) {
    const query = new URLSearchParams(location.search);
    const names = block.dataset.follows.split(" ").filter(name => !leaveOut.includes(name));
    return names.map(name => name + "=" + (query.get(name) || "")).join("&") + " " + screenWords();
  }
  function sync() {
    if (here !== location.pathname) return; // the page is being left
    document.querySelectorAll(".block").forEach(function (block) {
      const all = wanted(block, []), still = wanted(block, ZOOM), run = new URLSearchParams(location.search).get("run") || "";
      if ((block.dataset.run || run) !== run) return; // another run is another page
      block.dataset.run = run;
      if (!block.dataset.watched) {
        block.dataset.watched = "yes";
        if (block.dataset.fresh === "yes") { block.dataset.sent = all; block.dataset.still = still; }
        watcher.observe(block);
      }
      if (block.dataset.sent === all || !inView.has(block)) return;
      const onlyZoom = block.dataset.still === still;
      block.dataset.sent = all;
      block.dataset.still = still;
      dc.set_props(block.dataset.block + "-want",
        { data: { search: location.search, screen: screenWords(), only_zoom: onlyZoom } });
    });
  }
  new MutationObserver(sync).observe(root, { childList: true, subtree: true });
  let focused = null; // id of what had the focus when a page was left by our own link or list
  // The new page may be drawn in several steps; the focus returns after each one that drops it, until the reader acts.
  function refocus() {
    if (focused && document.activeElement === document.body)
      (document.getElementById(focused) || document.getElementById("content")).focus({ preventScroll: true });
  }
  new MutationObserver(refocus).observe(root, { childList: true, subtree: true });
  ["pointerdown", "keydown"].forEach(kind => document.addEventListener(kind, () => { focused = null; }, true));
  function go(href) {
    focused = (document.activeElement && document.activeElement.id) || "content";
    history.pushState({}, "", href);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
  }
  function choose(name, value) {
    const query = new URLSearchParams(location.search);
    if (NEW_AXIS.includes(name)) { query.delete("from"); query.delete("to"); }
    if (name === "run") query.delete("lap");
    // The address gets what the lists show, also where it said nothing so far.
    document.querySelectorAll("select[data-choose]").forEach(function (list) {
      if (NEW_PAGE.includes(list.dataset.choose) && list.value) query.set(list.dataset.choose, list.value);
    });
    if (value) query.set(name, value); else query.delete(name);
    const href = location.pathname + "?" + query.toString();
    if (NEW_PAGE.includes(name)) { go(href); return; }
    inPlace(href);
  }
  function inPlace(href) {
    history.pushState({}, "", href);
    press();
    tell();
  }
  // A stretch of the lap along the distance; nothing for all of it.
  function select(from, to, lap) {
    const query = new URLSearchParams(location.search);
    query.delete("from");
    query.delete("to");
    query.delete("against");
    if (from !== undefined) { query.set("from", from); query.set("to", to); }
    if (lap) query.set("lap", lap);
    else if (from !== undefined && query.get("lap") === "whole") query.delete("lap");
    inPlace(location.pathname + "?" + query.toString());
  }
  // A link to a place of the run that is shown changes this page; any other link opens a page.
  function samePage(href) {
    const to = new URL(href, location.href), now = new URLSearchParams(location.search);
    return to.pathname === location.pathname && document.querySelector(".block") &&
      to.searchParams.get("run") && to.searchParams.get("run") === (now.get("run") || shownRun());
  }
  function shownRun() {
    const list = document.getElementById("choose-run");
    return list ? list.value : "";
  }
  // Buttons and lists as the address says: after a choice, and after Back.
  function press() {
    const query = new URLSearchParams(location.search);
    document.querySelectorAll("select[data-choose]").forEach(function (list) {
      list.value = query.get(list.dataset.choose) || list.dataset.start || list.value;
    });
    pressButtons();
  }
  function pressButtons() {
    const query = new URLSearchParams(location.search);
    document.querySelectorAll("button[data-choose]").forEach(function (button) {
      const group = button.closest("[data-start]");
      const first = group ? group.dataset.start : button.parentElement.querySelector("button[data-choose]").dataset.value;
      const chosen = query.get(button.dataset.choose) || first;
      button.setAttribute("aria-pressed", String(chosen === button.dataset.value));
    });
    corners().forEach(function (button) {
      const shown = ["from", "to"].every(name => Math.abs(Number(query.get(name)) - Number(button.dataset[name])) < 1);
      button.setAttribute("aria-pressed", String(shown && !query.get("against")));
    });
    document.querySelectorAll(".bar.ways").forEach(function (bar) { // what is chosen is in view, also where the bar scrolls
      const chosen = [...bar.querySelectorAll(".strip [aria-pressed=true]")].pop();
      if (!chosen) return;
      const box = bar.getBoundingClientRect(), own = chosen.getBoundingClientRect();
      if (own.left < box.left || own.right > box.right - 40) bar.scrollLeft += own.left - box.left - box.width / 2;
    });
    title();
  }
  let titled = "";
  function title() {
    if (!titled) return;
    const list = document.getElementById("choose-run"), other = document.getElementById("choose-other");
    const run = list && list.value && !other ? ", " + list.selectedOptions[0].textContent.split(",")[0] : "";
    const pressed = document.querySelector(".laps [aria-pressed=true]");
    const lap = pressed ? (pressed.dataset.value === "whole" ? ", whole run" : ", lap " + pressed.dataset.value) : "";
    document.title = titled + run + lap + ", Both Ends";
  }
  function corners() { return [...document.querySelectorAll("button[data-corner]")]; }
  window.addEventListener("popstate", function () {
    if (location.pathname === here) { press(); tell(); }
  });
  document.addEventListener("change", function (event) {
    const list = event.target.closest("select[data-choose]");
    if (list) choose(list.dataset.choose, list.value);
  });
  function menu(open) {
    const button = document.getElementById("menu");
    if (button) button.setAttribute("aria-expanded", String(!!open));
  }
  document.addEventListener("click", function (event) {
    const found = event.target.closest("a.in, button[data-choose], button[data-zoom], button[data-corner], button[data-save], button[data-copy], button[data-close], #theme-switch, #menu");
    menu(found && found.id === "menu" && found.getAttribute("aria-expanded") === "false");
    if (!found) return;
    if (found.id === "theme-switch") switchTheme();
    else if (found.dataset.zoom) zoom(found.dataset.zoom);
    else if (found.dataset.corner) select(found.dataset.from, found.dataset.to);
    else if (found.dataset.save) save(found.dataset.graph, found.dataset.save);
    else if (found.dataset.copy) copy(found);
    else if (found.dataset.close) document.getElementById(found.dataset.close).close();
    else if (found.dataset.choose) choose(found.dataset.choose, found.dataset.value);
    else if (!(event.metaKey || event.ctrlKey || event.shiftKey || event.altKey)) {
      event.preventDefault();
      const href = found.getAttribute("href");
      if (!samePage(href)) { go(href); window.scrollTo(0, 0); return; }
      inPlace(href);
      const picture = document.querySelector(".first-pictures");
      if (picture) picture.scrollIntoView({ block: "start", behavior: "instant" });
    }
  });

  // ---- zoom by button and key ----------------------------------------------------------------------------
  const KEYS = { "+": "closer", "=": "closer", "-": "wider", ArrowLeft: "earlier", ArrowRight: "later" };
  function plot(id) { return document.querySelector("#" + id + " .js-plotly-plot"); }
  function all(graph) { return graph._fullLayout.meta.all; }
  function zoom(step) {
    const graph = plot("travel");
    if (!graph || !graph._fullLayout) return;
    const whole = all(graph);
    const range = graph._fullLayout.xaxis.range.map(Number);
    const width = range[1] - range[0];
    const wanted = { closer: width / 2, wider: width * 2, all: Infinity }[step] || width;
    const shown = Math.min(wanted, whole[1] - whole[0]);
    const middle = (range[0] + range[1]) / 2 + ({ earlier: -width / 2, later: width / 2 }[step] || 0);
    const start = Math.min(Math.max(middle - shown / 2, whole[0]), whole[1] - shown);
    own = [start, start + shown];
    window.Plotly.relayout(graph, { "xaxis.range[0]": own[0], "xaxis.range[1]": own[1] });
    zoomTo(own[0], own[1]);
  }
  let own = null; // the range that a key or button set: its report by the graph is no news
  // The zoom goes into the address, so that a link or a step back returns to it.
  function zoomTo(low, high) {
    const whole = all(plot("travel"));
    const from = Math.max(low, whole[0]), to = Math.min(high, whole[1]);
    const query = new URLSearchParams(location.search);
    query.delete("from");
    query.delete("to");
    if (to - from < 0.999999 * (whole[1] - whole[0])) {
      query.set("from", from.toPrecision(9));
      query.set("to", to.toPrecision(9));
    }
    inPlace(location.pathname + "?" + query.toString());
  }
  // Where a list of buttons or links stands, so much further; nothing at its end.
  function step(buttons, at, by) {
    const next = buttons[at < 0 && by < 0 ? buttons.length - 1 : at + by];
    if (next) next.click();
  }
  function stepLap(by) {
    const laps = [...document.querySelectorAll(".laps button")].filter(button => button.dataset.value !== "whole");
    step(laps, laps.findIndex(button => button.getAttribute("aria-pressed") === "true"), by);
  }
  function stepCorner(by) {
    step(corners(), corners().findIndex(button => button.getAttribute("aria-pressed") === "true"), by);
  }
  let digits = "", digitsUntil = 0;
  function digit(key) {
    digits = performance.now() < digitsUntil ? digits + key : key;
    digitsUntil = performance.now() + 700;
    const found = corners().find(button => button.dataset.corner === digits) ||
      corners().find(button => button.dataset.corner === key);
    if (found) found.click();
    return !!found;
  }
  function press_link(id) { const link = document.getElementById(id); if (link && link.href) link.click(); return !!link; }
  const ACTS = {
    "[": () => stepLap(-1), "]": () => stepLap(1), p: () => stepCorner(-1), n: () => stepCorner(1),
    ",": () => press_link("run-before"), ".": () => press_link("run-after"),
    "0": () => select(), Escape: () => select(), "?": () => document.getElementById("keys").showModal(),
  };
  document.addEventListener("keydown", function (event) {
    if (event.metaKey || event.ctrlKey || event.altKey) return;
    if (event.target.closest("input, textarea, select, [contenteditable], .scroll, dialog")) return;
    if (event.key === "Escape") menu(false);
    if (!/^[0-9]$/.test(event.key)) digitsUntil = 0;  // another key between: the next digit begins anew
    const way = KEYS[event.key], act = ACTS[event.key];
    const onPage = document.querySelector(".bar.ways") || event.key === "?";
    if (way && plot("travel")) { event.preventDefault(); zoom(way); }
    else if (act && onPage && !(event.key === "0" && performance.now() < digitsUntil)) {
      if ((event.key === "0" || event.key === "Escape") && !plot("travel")) return;
      event.preventDefault();
      act();
    }
    else if (/^[0-9]$/.test(event.key) && corners().length && digit(event.key)) event.preventDefault();
  });

  // ---- one cursor in all pictures along the lap and on the map, both ways -----------------------------------
  function nearest(sorted, value) {
    let low = 0, high = sorted.length - 1;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (sorted[middle] < value) low = middle + 1; else high = middle;
    }
    return low > 0 && value - sorted[low - 1] < sorted[low] - value ? low - 1 : low;
  }
  function layoutOf(graph) { return graph && graph._fullLayout; }
  function along() { return [...document.querySelectorAll(".js-plotly-plot")].filter(g => layoutOf(g) && (g._fullLayout.meta || {}).along); }
  function mapPlot() { const map = plot("map"); return map && layoutOf(map) && (map._fullLayout.meta || {}).map ? map : null; }
  function xAt(graph, clientX) {
    const layout = graph._fullLayout;
    return layout.xaxis.p2d(clientX - graph.getBoundingClientRect().left - layout._size.l);
  }
  // The point of the map's line that is nearest to the pointer, and how far off it is.
  function lineAt(map, event) {
    const layout = map._fullLayout, line = map._fullData[0], box = map.getBoundingClientRect();
    const px = event.clientX - box.left - layout._size.l, py = event.clientY - box.top - layout._size.t;
    let best = -1, least = Infinity;
    for (let i = 0; i < line.x.length; i++) {
      const off = Math.hypot(layout.xaxis.l2p(line.x[i]) - px, layout.yaxis.l2p(line.y[i]) - py);
      if (off < least) { least = off; best = i; }
    }
    return { at: best, off: least };
  }
  function mark(map) {
    const box = map.closest(".picture");
    let found = box.querySelector("#here");
    if (!found) { found = document.createElement("div"); found.id = "here"; box.appendChild(found); }
    return found;
  }
  function readOut(x) {
    const place = document.getElementById("read-out"), travel = plot("travel");
    if (!place || !layoutOf(travel)) return;
    const axis = travel._fullLayout.xaxis.title.text || "";
    const unit = axis.includes("[m]") ? "m" : "s";
    const words = [x.toFixed(unit === "m" ? 0 : 2) + " " + unit];
    const corner = travel._fullLayout.meta.corners.find(one => one[1] <= x && x <= one[2]);
    if (corner) words.push("corner " + corner[0]);
    const said = new Set();
    along().forEach(graph => graph._fullData.forEach(function (line) {
      const read = line.meta;
      if (!read || !read.read || !line.x.length) return;
      const name = read.read.replace(/ (wheel|shaft) travel$/, "");
      if (said.has(name)) return;
      said.add(name);
      const value = line.y[nearest(line.x, x)];
      words.push(name + " " + (isFinite(value) ? minus(value * (read.factor || 1), read.digits) + " " + read.unit : "masked"));
    }));
    const whole = all(travel), near = 0.004 * (travel._fullLayout.xaxis.range[1] - travel._fullLayout.xaxis.range[0] || whole[1]);
    const events = travel._fullLayout.meta.events.filter(one => one[0] - near <= x && x <= one[1] + near);
    place.textContent = words.concat([...new Set(events.map(one => one[2]))]).join("   ");
  }
  function minus(value, digits) {
    const text = value.toFixed(digits);
    return (Number(text) === 0 ? text.replace("-", "") : text).replace("-", "\u2212");
  }
  function cursor(x) {
    along().forEach(function (graph) {
      const line = graph.closest(".picture").querySelector(".cursor-line"), layout = graph._fullLayout;
      const px = x === null ? -1 : layout.xaxis.l2p(x);
      if (!line) return;
      const inside = px >= 0 && px <= layout._size.w;
      line.style.display = inside ? "block" : "none";
      if (inside) line.style.left = layout._size.l + px + "px";
    });
    const map = mapPlot();
    if (x === null) {
      if (map) mark(map).style.display = "none";
      const place = document.getElementById("read-out");
      if (place) place.textContent = "";
      return;
    }
    readOut(x);
    const axis = map && map._fullData[0].customdata;
    if (!axis || !isFinite(axis[0])) return;
    const at = nearest(axis, x), layout = map._fullLayout, line = map._fullData[0], spot = mark(map);
    spot.style.display = "block";
    spot.style.left = layout._size.l + layout.xaxis.l2p(line.x[at]) + "px";
    spot.style.top = layout._size.t + layout.yaxis.l2p(line.y[at]) + "px";
  }
  const ON_LINE_PX = 28; // so near counts as on the map's line
  function pointedAt(event) {
    const graph = event.target.closest && event.target.closest(".js-plotly-plot");
    if (!layoutOf(graph)) return null;
    const meta = graph._fullLayout.meta || {};
    if (meta.along) return { x: xAt(graph, event.clientX), graph: graph };
    if (!meta.map) return null;
    const found = lineAt(graph, event);
    if (found.at < 0 || found.off > ON_LINE_PX) return null;
    const axis = graph._fullData[0].customdata;
    return { x: axis && isFinite(axis[found.at]) ? axis[found.at] : NaN, distance: meta.distance[found.at], graph: graph };
  }
  let shownCursor = false;
  document.addEventListener("pointermove", function (event) {
    const at = pointedAt(event);
    if (at && isFinite(at.x)) { cursor(at.x); shownCursor = true; }
    else if (shownCursor && event.pointerType === "mouse") { cursor(null); shownCursor = false; }
  });
  // A press without a drag selects: the mark or the corner there, else a little of the lap on both sides.
  let down = null;
  const AROUND_M = 100, STILL_PX = 5;
  document.addEventListener("pointerdown", function (event) {
    const at = event.isPrimary && event.button === 0 ? pointedAt(event) : null;
    down = at && { at: at, x: event.clientX, y: event.clientY };
    if (at && isFinite(at.x)) { cursor(at.x); shownCursor = true; }
  }, true);
  document.addEventListener("pointerup", function (event) {
    const was = down;
    down = null;
    if (!was || Math.hypot(event.clientX - was.x, event.clientY - was.y) > STILL_PX) return;
    if (event.pointerType !== "mouse" && was.at.graph._fullLayout.meta.along) return; // a tap reads, and does not zoom
    if (event.detail > 1) return;
    selectAt(was.at);
  }, true);
  function selectAt(at) {
    const travel = plot("travel");
    if (at.distance !== undefined) { selectDistance(at.distance); return; }
    const corner = travel && travel._fullLayout.meta.corners.find(one => one[1] <= at.x && at.x <= one[2]);
    const button = corner && corners().find(one => one.dataset.corner === corner[0]);
    if (button) { button.click(); return; }
    const axis = travel._fullLayout.xaxis, event = travel._fullLayout.meta.events.find(
      one => Math.abs(axis.l2p(one[0]) - axis.l2p(at.x)) < 10 || (one[0] <= at.x && at.x <= one[1]));
    if (event && axis.title.text.includes("[m]")) around((event[0] + event[1]) / 2);
  }
  function around(distance) { select(Math.max(distance - AROUND_M, 0).toFixed(1), (distance + AROUND_M).toFixed(1)); }
  function selectDistance(distance) {
    const inside = corners().filter(one => Number(one.dataset.from) <= distance && distance <= Number(one.dataset.to));
    const off = one => Math.abs((Number(one.dataset.from) + Number(one.dataset.to)) / 2 - distance);
    inside.sort((a, b) => off(a) - off(b));
    if (inside.length) inside[0].click(); else around(distance);
  }

  // ---- to take away --------------------------------------------------------------------------------------
  function fileName(name, ending) {
    return (document.title.replace(/, Both Ends$/, "") + " " + name).replace(/[^\p{L}\p{N}]+/gu, "-").replace(/-+$/, "") + ending;
  }
  function download(address, name) {
    const link = document.createElement("a");
    link.href = address;
    link.download = name;
    link.click();
  }
  function keep(text, type, name) {
    const address = URL.createObjectURL(new Blob([text], { type: type }));
    download(address, name);
    setTimeout(() => URL.revokeObjectURL(address), 5000);
  }
  function save(id, kind) {
    const graph = plot(id), name = fileName(id, "." + kind), section = document.getElementById(id);
    if (layoutOf(graph) && kind !== "csv") {
      const box = graph.getBoundingClientRect();
      window.Plotly.toImage(graph, { format: kind, width: box.width, height: box.height, scale: kind === "png" ? 2 : 1,
        setBackground: "opaque" }).then(address => download(address, name));
    }
    else if (layoutOf(graph)) keep(curves(graph), "text/csv", name);
    else if (section && kind === "svg") keep(smallPictures(section), "image/svg+xml", name);
    else if (section) keep(cells(section.querySelector("table")), "text/csv", name);
  }
  // Numbers in the units that the axes name: a line keeps ours, and its axis the factor.
  function curves(graph) {
    const layout = graph._fullLayout, factors = (layout.meta || {}).factors || {};
    const rows = [["curve", layout.xaxis.title.text || "x", (layout.yaxis.title || {}).text || "y"].map(quoted).join(",")];
    graph._fullData.forEach(function (line) {
      if (!line.x || line.name === "time spent") return;
      const by = way => factors[(line[way + "axis"] || way).replace(way, way + "axis")] || 1, x = by("x"), y = by("y");
      const times = (value, factor) => typeof value === "number" ? value * factor : quoted(value);
      for (let i = 0; i < line.x.length; i++) rows.push([quoted(line.name), times(line.x[i], x), times(line.y[i], y)].join(","));
    });
    return rows.join("\n") + "\n";
  }
  function cells(table) {
    return [...table.rows].map(row => [...row.cells].map(cell => quoted(cell.textContent)).join(",")).join("\n") + "\n";
  }
  // All small pictures of a section as one, each with its words above it.
  function smallPictures(section) {
    const WIDE = 240, HIGH = 180, style = getComputedStyle(root), items = [...section.querySelectorAll("li")];
    const across = Math.min(4, items.length), ink = style.getPropertyValue("--ink"), paper = style.getPropertyValue("--paper");
    const drawn = items.map(function (item, i) {
      const picture = item.querySelector("img"), x = 10 + WIDE * (i % across), y = 10 + HIGH * Math.floor(i / across);
      const words = [...item.querySelectorAll("b, .note")].map(part => part.textContent).slice(0, 2).join(", ");
      return "<text x='" + x + "' y='" + (y + 14) + "' font-family='sans-serif' font-size='12' fill='" + ink + "'>" +
        words.replace(/&/g, "&amp;").replace(/</g, "&lt;") + "</text>" +
        atob(picture.src.split(",")[1]).replace("<svg ", "<svg x='" + x + "' y='" + (y + 20) + "' ");
    });
    const size = [20 + WIDE * across, 20 + HIGH * Math.ceil(items.length / across)];
    return "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 " + size.join(" ") + "' width='" + size[0] + "' height='" + size[1] +
      "'><rect width='100%' height='100%' fill='" + paper + "'/>" + drawn.join("") + "</svg>";
  }
  function quoted(text) { return '"' + String(text).replace(/"/g, '""') + '"'; }
  // One button for every sentence of the page: it stands beside the one that is pointed to, or was tapped.
  const floating = document.createElement("button");
  floating.className = "quiet copy floating";
  floating.textContent = "Copy";
  floating.title = "Copy this sentence";
  floating.dataset.copy = "sentence";
  floating.hidden = true;
  let leaving = 0, sentence = null;
  document.addEventListener("pointerover", function (event) {
    if (event.target === floating) { clearTimeout(leaving); return; }
    const found = event.target.closest("main p, main li, main dd");
    const own = found && found.closest("form, .findings > li, .first-answer > :first-child, nav");
    if (!found || own || !/[.!?]$/.test(found.textContent.trim())) {
      clearTimeout(leaving);
      leaving = setTimeout(() => { floating.hidden = true; }, 600);
      return;
    }
    clearTimeout(leaving);
    sentence = found;
    if (!floating.isConnected) document.body.append(floating);
    floating.hidden = false;
    const box = found.getBoundingClientRect();
    const beside = box.right + floating.offsetWidth + 4 < document.documentElement.clientWidth;
    floating.style.left = window.scrollX + (beside ? box.right + 2 : box.right - floating.offsetWidth) + "px";
    floating.style.top = window.scrollY + (beside ? box.top : box.bottom) + "px";
  });
  function copy(button) {
    const from = button === floating ? [sentence] : [...button.parentElement.querySelectorAll("p, h3")];
    const words = from.map(part => part.textContent).join("\n");
    navigator.clipboard.writeText(words).then(() => { button.textContent = "Copied"; }, () => { button.textContent = "Not allowed"; });
    setTimeout(() => { button.textContent = "Copy"; }, 1500);
  }

  dc.bothends = {
    arrived: function (words) {
      if (!words) return dc.no_update;
      titled = words;
      here = location.pathname;
      document.title = words + ", Both Ends";
      requestAnimationFrame(pressButtons);
      refocus();
      return dc.no_update;
    },
    // A zoom by dragging, in either of the long pictures.
    remember: function (ofTravel, ofTrace) {
      const triggered = dc.callback_context.triggered_id;
      const said = (triggered === "trace" ? ofTrace : ofTravel) || {};
      if (!("xaxis.range[0]" in said) && !said["xaxis.autorange"]) return dc.no_update;
      const was = own;
      own = null;
      if (was && was[0] === said["xaxis.range[0]"] && was[1] === said["xaxis.range[1]"]) return dc.no_update;
      const whole = all(plot("travel"));
      if (said["xaxis.autorange"]) zoomTo(whole[0], whole[1]);
      else zoomTo(said["xaxis.range[0]"], said["xaxis.range[1]"]);
      return dc.no_update;
    },
  };
})();
