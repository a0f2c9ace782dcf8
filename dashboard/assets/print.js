// A page on paper: it says which run and lap it shows, and its pictures are as wide as the paper.
(function () {
  "use strict";
  const PAPER_PX = 700; // A4 and letter within their margins, at 96 pixels to the inch
  let widths = [];
  window.addEventListener("beforeprint", function () {
    const main = document.getElementById("content");
    if (!main || !window.Plotly) return;
    let said = document.getElementById("printed");
    if (!said) {
      said = document.createElement("p");
      said.id = "printed";
      main.prepend(said);
    }
    const chosen = Array.from(document.querySelectorAll("main select[data-choose]")).map(function (list) {
      return list.selectedIndex < 0 ? "" : list.options[list.selectedIndex].text;
    });
    said.textContent = [document.title].concat(chosen).filter(Boolean).join(" · ");
    widths = Array.from(document.querySelectorAll("main .js-plotly-plot")).filter(function (graph) {
      return graph._fullLayout && graph._fullLayout.width > PAPER_PX;
    });
    widths.forEach(function (graph) {
      window.Plotly.relayout(graph, { width: Math.min(graph._fullLayout.width, PAPER_PX), autosize: false });
    });
  });
  window.addEventListener("afterprint", function () {
    const said = document.getElementById("printed");
    if (said) said.remove();
    widths.forEach(function (graph) { window.Plotly.relayout(graph, { width: null, autosize: true }); });
    widths = [];
  });
})();
