// Words stand in for the page where no script runs, or where one fails before the page is drawn.
// Plain old script, so that a browser too old for the rest still runs it.
(function () {
  var root = document.documentElement;
  root.setAttribute("data-scripts", "yes");
  // Fingers get larger targets; a laptop with a touch screen is steered by both.
  if (navigator.maxTouchPoints > 0) root.classList.add("touch");
  window.addEventListener("error", function () {
    if (!root.hasAttribute("data-drawn")) root.removeAttribute("data-scripts");
  });
})();
