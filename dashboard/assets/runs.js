// The list of runs: which rows are shown and in what order. A row keeps its numbers; nothing is asked of the server.
(function () {
  "use strict";
  function show() {
    const table = document.getElementById("runs"), find = document.getElementById("find-run");
    if (!table || !find) return;
    const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    for (const body of table.tBodies) {
      body.hidden = !words.every(function (word) { return body.dataset.find.includes(word); });
      if (!body.hidden) shown += 1;
    }
    document.getElementById("runs-found").textContent =
      shown === table.tBodies.length ? shown + (shown === 1 ? " run" : " runs") : shown + " of " + table.tBodies.length + " runs";
  }
  function order(by) {
    const table = document.getElementById("runs");
    const rows = Array.from(table.tBodies);
    rows.forEach(function (body, place) { if (!body.dataset.place) body.dataset.place = place; });
    function value(body) {
      if (!by) return Number(body.dataset.place);
      return body.dataset[by] === "" ? Infinity : Number(body.dataset[by]);
    }
    rows.sort(function (a, b) { return value(a) - value(b) || a.dataset.place - b.dataset.place; });
    rows.forEach(function (body) { table.appendChild(body); });
    table.classList.toggle("mixed", by !== "");
  }
  // What is searched for and the order stand in the address, so that a link or a step back returns to them.
  function keep(name, value) {
    const query = new URLSearchParams(location.search);
    if (value) query.set(name, value); else query.delete(name);
    const words = query.toString();
    history.replaceState(history.state, "", location.pathname + (words ? "?" + words : ""));
  }
  function arrive() {
    const find = document.getElementById("find-run"), orders = document.getElementById("order-runs");
    if (!find || !orders || find.dataset.arrived) return;
    find.dataset.arrived = "yes";
    const query = new URLSearchParams(location.search);
    if (query.get("find")) { // the library's input hears its own setter only
      Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, "value").set.call(find, query.get("find"));
      find.dispatchEvent(new Event("input", { bubbles: true }));
    }
    if (query.get("order")) { orders.value = query.get("order"); order(orders.value); }
  }
  new MutationObserver(arrive).observe(document.documentElement, { childList: true, subtree: true });
  document.addEventListener("input", function (event) {
    if (event.target.id === "find-run") { show(); keep("find", event.target.value); }
  });
  document.addEventListener("change", function (event) {
    if (event.target.id === "order-runs") { order(event.target.value); keep("order", event.target.value); }
  });
})();
