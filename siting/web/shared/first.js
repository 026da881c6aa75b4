// Words stand in for the page where no script runs, or where one fails before the page is drawn.
// Plain old script, so that a browser too old for the rest still runs it.
(function () {
  var root = document.documentElement;
  root.setAttribute("data-scripts", "yes");
  window.addEventListener("error", function () {
    if (!root.hasAttribute("data-drawn")) root.removeAttribute("data-scripts");
  });
})();
