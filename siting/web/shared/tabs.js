// Tabs by the pattern of the WAI-ARIA practices: arrows move, the chosen one is in the tab order.

import { byId } from "./dom.js";

function allTabs() {
  return [...document.querySelectorAll('[role="tab"]')];
}

export function showTab(name) {
  allTabs().forEach((tab) => {
    const chosen = tab.id === "tab-" + name;
    tab.setAttribute("aria-selected", String(chosen));
    tab.tabIndex = chosen ? 0 : -1;
    byId(tab.getAttribute("aria-controls")).hidden = !chosen;
  });
}

// `first` is the tab that the skip link leads to.
export function setUpTabs(first) {
  const tabs = allTabs();
  document.querySelector(".skip").addEventListener("click", () => showTab(first));
  tabs.forEach((tab, i) => {
    tab.addEventListener("click", () => showTab(tab.id.slice(4)));
    tab.addEventListener("keydown", (event) => {
      const to = { ArrowRight: i + 1, ArrowLeft: i - 1, Home: 0, End: tabs.length - 1 }[event.key];
      if (to === undefined) return;
      event.preventDefault();
      const next = tabs[(to + tabs.length) % tabs.length];
      next.focus();
      showTab(next.id.slice(4));
    });
  });
}
