// Light and dark: the device's choice until the reader makes one.

import { byId } from "./dom.js";

const KEY = "siting-theme";

function kept() {
  try {
    const word = window.localStorage.getItem(KEY);
    return word === "dark" || word === "light" ? word : null;
  } catch (error) {
    return null; // a browser that keeps nothing still has a working page
  }
}

function keep(word) {
  try {
    window.localStorage.setItem(KEY, word);
  } catch (error) {
    // The choice holds until the page is closed.
  }
}

export function setUpTheme() {
  const device = window.matchMedia("(prefers-color-scheme: dark)");
  const button = byId("theme-switch");
  let chosen = kept();
  const show = () => {
    const isDark = chosen ? chosen === "dark" : device.matches;
    document.documentElement.dataset.theme = isDark ? "dark" : "light";
    button.setAttribute("aria-pressed", String(isDark));
  };
  button.addEventListener("click", () => {
    chosen = document.documentElement.dataset.theme === "dark" ? "light" : "dark";
    keep(chosen);
    show();
  });
  device.addEventListener("change", show);
  show();
}
