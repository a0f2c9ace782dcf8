// The rider's page: what is touched on the map is read in a line below it, and the card is kept as a picture.
(function () {
  "use strict";
  const dc = (window.dash_clientside = window.dash_clientside || {});
  dc.bothends_rider = {
    read: function (hover) {
      const text = hover && hover.points.length && hover.points[0].text;
      return text ? text.charAt(0).toUpperCase() + text.slice(1) + "." : dc.no_update;
    },
  };
  // A phone takes a PNG into any message; without a canvas the link opens the SVG.
  document.addEventListener("click", function (event) {
    const link = event.target.closest("#rider-card");
    if (!link) return;
    event.preventDefault();
    const image = new Image();
    image.onload = function () {
      const canvas = document.createElement("canvas");
      canvas.width = 1.5 * image.width;
      canvas.height = 1.5 * image.height;
      canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
      canvas.toBlob(function (blob) {
        const saved = document.createElement("a");
        saved.href = URL.createObjectURL(blob);
        saved.download = link.getAttribute("href").split("/").pop().replace(".svg", ".png");
        saved.click();
        setTimeout(function () { URL.revokeObjectURL(saved.href); }, 1000);
      }, "image/png");
    };
    image.onerror = function () { location.href = link.href; };
    image.src = link.href;
  });
})();
