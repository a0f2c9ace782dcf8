// What the pages do in the browser: choices and zoom in the address, light and dark, and the place on the map
// of what the cursor is on. No numbers are made here.
(function () {
  "use strict";
  const COOKIE = "bothends-screen";
  const STORES = { "/": "review-view", "/balance": "balance-view", "/rider": "rider-view", "/compare": "compare-view",
    "/dampers": "damper-view", "/season": "season-view" };
  // Another one of these is another page; anything else changes in place.
  const NEW_PAGE = ["run", "other"];
  // Each of these changes the axis, so a zoom on it would mean another stretch.
  const NEW_AXIS = ["run", "other", "lap", "against"];
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
  }
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
    history.pushState({}, "", href);
    press();
    tell();
  }
  // Buttons and lists as the address says: after a choice, and after Back.
  function press() {
    const query = new URLSearchParams(location.search);
    document.querySelectorAll("button[data-choose]").forEach(function (button) {
      const first = button.parentElement.querySelector("button[data-choose]").dataset.value;
      const chosen = query.get(button.dataset.choose) || first;
      button.setAttribute("aria-pressed", String(chosen === button.dataset.value));
    });
    document.querySelectorAll("select[data-choose]").forEach(function (list) {
      list.value = query.get(list.dataset.choose) || list.dataset.start;
    });
  }
  window.addEventListener("popstate", function () {
    if (location.pathname === here) { press(); tell(); }
  });
  document.addEventListener("change", function (event) {
    const list = event.target.closest("select[data-choose]");
    if (list) choose(list.dataset.choose, list.value);
  });
  document.addEventListener("click", function (event) {
    const found = event.target.closest("a.in, button[data-choose], button[data-zoom], #theme-switch");
    if (!found) return;
    if (found.id === "theme-switch") switchTheme();
    else if (found.dataset.zoom) zoom(found.dataset.zoom);
    else if (found.dataset.choose) choose(found.dataset.choose, found.dataset.value);
    else if (!(event.metaKey || event.ctrlKey || event.shiftKey || event.altKey)) {
      event.preventDefault();
      go(found.getAttribute("href"));
      window.scrollTo(0, 0);
    }
  });

  // ---- zoom by button and key ----------------------------------------------------------------------------
  const KEYS = { "+": "closer", "=": "closer", "-": "wider", ArrowLeft: "earlier", ArrowRight: "later", "0": "all" };
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
    window.Plotly.relayout(graph, { "xaxis.range[0]": start, "xaxis.range[1]": start + shown });
  }
  document.addEventListener("keydown", function (event) {
    if (event.metaKey || event.ctrlKey || event.altKey) return;
    if (event.target.closest("input, textarea, select, [contenteditable], .scroll")) return;
    const step = KEYS[event.key];
    if (step && plot("travel")) { event.preventDefault(); zoom(step); }
  });

  // ---- the place on the map of what the cursor is on -----------------------------------------------------
  function nearest(sorted, value) {
    let low = 0, high = sorted.length - 1;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (sorted[middle] < value) low = middle + 1; else high = middle;
    }
    return low;
  }
  function dot() {
    let found = document.getElementById("here");
    if (!found) {
      found = document.createElement("div");
      found.id = "here";
      document.querySelector("#map").parentElement.appendChild(found);
    }
    return found;
  }

  dc.bothends = {
    arrived: function (title) {
      if (!title) return dc.no_update;
      document.title = title + ", Both Ends";
      here = location.pathname;
      refocus();
      return dc.no_update;
    },
    // The zoom goes into the address, so that a link or a step back returns to it.
    remember: function (ofTravel, ofTrace) {
      const triggered = dc.callback_context.triggered_id;
      const said = (triggered === "trace" ? ofTrace : ofTravel) || {};
      if (!("xaxis.range[0]" in said) && !said["xaxis.autorange"]) return dc.no_update;
      const whole = all(plot("travel"));
      const from = Math.max(said["xaxis.range[0]"], whole[0]), to = Math.min(said["xaxis.range[1]"], whole[1]);
      const query = new URLSearchParams(location.search);
      query.delete("from");
      query.delete("to");
      if (to - from < 0.999999 * (whole[1] - whole[0])) {
        query.set("from", from.toPrecision(9));
        query.set("to", to.toPrecision(9));
      }
      history.replaceState(history.state, "", location.pathname + "?" + query.toString());
      return dc.no_update;
    },
    cursor: function (hover) {
      const graph = plot("map");
      if (!graph || !graph._fullLayout || !hover || !hover.points.length) return dc.no_update;
      const line = graph._fullData[0];
      const axis = line.customdata;
      if (!axis || !isFinite(axis[0])) return dc.no_update;
      const at = nearest(axis, hover.points[0].x);
      const layout = graph._fullLayout;
      const mark = dot();
      mark.style.left = layout._size.l + layout.xaxis.l2p(line.x[at]) + "px";
      mark.style.top = layout._size.t + layout.yaxis.l2p(line.y[at]) + "px";
      return dc.no_update;
    },
  };
})();
