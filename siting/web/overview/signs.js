// What the signs on the map mean, and how each is drawn.

import { COL, DATA } from "./data.js";

export const FAILED = "failed";
// Least index of each class: below plain ground, like it, above it ...
const CLASSES = [0, 0.8, 1.2, 1.8, 2.5];

function scoreClass(i) {
  if (COL.code[i]) return FAILED;
  if (COL.index[i] === null) return "nothing";
  return String(CLASSES.findLastIndex((least) => COL.index[i] >= least));
}

function roleClass(i) {
  if (COL.code[i]) return FAILED;
  return COL.role[i] === "" ? "none" : COL.role[i] === "camera" ? "camera" : "reserve";
}

export const CLASS_OF = { score: scoreClass, problem: (i) => COL.problem[i], role: roleClass };

// Colours of Okabe & Ito (2008), which hold for every kind of colour vision; the shape says it, too.
const OKABE = ["#0072b2", "#e69f00", "#009e73", "#cc79a7", "#56b4e9", "#d55e00", "#f0e442"];
const SHAPES = ["square", "diamond", "up", "down", "plus", "star", "bar"];

function scoreSigns() {
  const signs = CLASSES.map((least, step) => {
    const words = step === 0 ? "below 0.8" : step === CLASSES.length - 1 ? `${least} or more`
      : `${least} to ${(CLASSES[step + 1] - 0.1).toFixed(1)}`;
    return [String(step), { words, shape: "circle", size: 5 + step, colour: DATA.colours[step] }];
  }).reverse();
  signs.push(["nothing", { words: "no spot", shape: "cross", size: 6, colour: "#5b4a3a" }]);
  signs.push([FAILED, { words: "could not be scored", shape: "up", size: 7, colour: "#d55e00" }]);
  return new Map(signs);
}

function problemSigns() {
  const present = new Set(COL.problem);
  const signs = [["none", { words: "no problem", shape: "circle", size: 6, colour: "#8d9a92" }]];
  let k = 0;
  Object.entries(DATA.problems).forEach(([key, words]) => {
    if (key === "none" || !present.has(key)) return;
    // Shapes and colours run on at different paces, so that no pair comes twice.
    const colour = OKABE[(k + Math.floor(k / SHAPES.length)) % OKABE.length];
    signs.push([key, { words, shape: SHAPES[k % SHAPES.length], size: 7, colour }]);
    k += 1;
  });
  signs.push([FAILED, { words: "could not be scored", shape: "cross", size: 7, colour: "#1c231f" }]);
  return new Map(signs);
}

export const SIGNS = {
  score: scoreSigns(),
  problem: problemSigns(),
  role: new Map([
    ["camera", { words: "camera proposed", shape: "star", size: 9, colour: "#0072b2" }],
    ["reserve", { words: "reserve", shape: "diamond", size: 7, colour: "#e69f00" }],
    ["none", { words: "neither", shape: "circle", size: 5, colour: "#8d9a92" }],
    [FAILED, { words: "could not be scored", shape: "cross", size: 7, colour: "#1c231f" }],
  ]),
};
