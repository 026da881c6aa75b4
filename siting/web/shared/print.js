// On paper the map has a size of its own: it is fitted before printing and put back after.

// `prepare` changes the page before the map takes its new size, `show` brings the wanted ground into
// view, `restore` undoes what `prepare` did.
export function setUpPrint(map, { prepare = () => {}, show, restore = () => {} }) {
  let before = null;
  const start = () => {
    if (before) return;
    before = { centre: map.getCenter(), zoom: map.getZoom() };
    document.documentElement.classList.add("printing");
    prepare();
    map.invalidateSize({ animate: false });
    show();
  };
  const end = () => {
    if (!before) return;
    document.documentElement.classList.remove("printing");
    restore();
    map.invalidateSize({ animate: false });
    map.setView(before.centre, before.zoom, { animate: false });
    before = null;
  };
  window.addEventListener("beforeprint", start);
  window.addEventListener("afterprint", end);
  window.matchMedia("print").addEventListener("change", (event) => (event.matches ? start() : end()));
}
