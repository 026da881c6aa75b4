// Tabs by the pattern of the WAI-ARIA practices: arrows move, the chosen one is in the tab order.

import { byId } from "./dom.js";

function allTabs() {
  return [...document.querySelectorAll('[role="tab"]')];
}

// How far down a leaf was read, by its tab: the leaf's upper edge on the screen.
const READ_TO = {};

// A leaf that is opened begins at its head, or where it was left.
function keepPlace(tabs, atHead, change) {
  const line = () => tabs[0].parentElement.getBoundingClientRect().bottom;
  const shown = () => tabs.find((tab) => tab.getAttribute("aria-selected") === "true");
  const edge = () => byId(shown().getAttribute("aria-controls")).getBoundingClientRect().top;
  READ_TO[shown().id] = edge();
  change();
  const wanted = atHead ? line() : Math.min(READ_TO[shown().id] ?? line(), line());
  // On a telephone the page scrolls, on a desk the panel or the leaf itself.
  const panel = tabs[0].parentElement.parentElement;
  const moves = panel.scrollHeight > panel.clientHeight + 1 && panel !== document.body ? panel : window;
  if (edge() < line() || wanted < line()) moves.scrollBy({ top: edge() - wanted, behavior: "auto" });
  bringUp(tabs[0].parentElement);
}

// What is new under the tabs must be seen: tabs near the lower edge of the screen come up to where
// they stick.
const LEAST_SEEN_PX = 200;

function bringUp(list) {
  const { top, bottom } = list.getBoundingClientRect();
  const sticks = parseFloat(window.getComputedStyle(list).top);
  if (bottom > window.innerHeight - LEAST_SEEN_PX && sticks < top) {
    window.scrollBy({ top: top - sticks, behavior: "auto" });
  }
}

// `atHead`: there is something new at the head of the leaf.
export function showTab(name, atHead = false) {
  keepPlace(allTabs(), atHead, () => select(name));
}

function select(name) {
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
