// Elements made of data. Text is always set as text, never as markup.

const SVG = "http://www.w3.org/2000/svg";

export function node(tag, attributes, ...children) {
  return filled(document.createElement(tag), attributes, children);
}

export function svgNode(tag, attributes, ...children) {
  return filled(document.createElementNS(SVG, tag), attributes, children);
}

function filled(made, attributes, children) {
  Object.entries(attributes || {}).forEach(([name, value]) => {
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (value === true) made.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) {
      made.setAttribute(name, value);
    }
  });
  children.flat(4).forEach((child) => {
    if (child !== null && child !== undefined && child !== "") made.append(child);
  });
  return made;
}

// Words of a user: isolated, so that their direction does not run into ours.
export function user(text) {
  return node("bdi", {}, text);
}

export function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(8));
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

export function byId(id) {
  return document.getElementById(id);
}

export function section(title, ...content) {
  return node("section", {}, node("h3", {}, title), ...content);
}

export function lines(texts) {
  return node("ul", {}, texts.map((text) => node("li", {}, user(text))));
}

// The one island of data that Python wrote into the page.
export function islandData() {
  return JSON.parse(byId("siting-data").textContent);
}

// Readers who asked their device for less motion get none.
export const CALMLY = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
