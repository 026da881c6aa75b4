// Rules are named one by one: the linter needs no package but itself.

const rules = {
  "constructor-super": "error", "for-direction": "error", "getter-return": "error",
  "no-class-assign": "error", "no-compare-neg-zero": "error", "no-cond-assign": "error",
  "no-const-assign": "error", "no-constant-condition": ["error", { checkLoops: false }],
  "no-control-regex": "error", "no-dupe-args": "error", "no-dupe-else-if": "error",
  "no-dupe-keys": "error", "no-duplicate-case": "error", "no-duplicate-imports": "error",
  "no-empty": "error", "no-ex-assign": "error", "no-fallthrough": "error", "no-func-assign": "error",
  "no-import-assign": "error", "no-inner-declarations": "error", "no-invalid-regexp": "error",
  "no-loss-of-precision": "error", "no-new-func": "error", "no-obj-calls": "error",
  "no-prototype-builtins": "error", "no-redeclare": "error", "no-self-assign": "error",
  "no-self-compare": "error", "no-shadow": "error", "no-shadow-restricted-names": "error",
  "no-sparse-arrays": "error", "no-this-before-super": "error", "no-throw-literal": "error",
  "no-undef": "error", "no-unreachable": "error", "no-unsafe-finally": "error",
  "no-unsafe-negation": "error", "no-unused-expressions": "error",
  "no-unused-vars": ["error", { caughtErrors: "none" }], "no-use-before-define": ["error", {
    functions: false, classes: true, variables: true }],
  "no-useless-escape": "error", "no-var": "error", "prefer-const": "error", "eqeqeq": "error",
  "no-eval": "error", "no-implied-eval": "error", "no-script-url": "error",
  "no-restricted-properties": ["error",
    { property: "innerHTML", message: "Text of users is set as text." },
    { property: "outerHTML", message: "Text of users is set as text." },
    { property: "insertAdjacentHTML", message: "Text of users is set as text." }],
  "use-isnan": "error", "valid-typeof": "error", "max-len": ["error", { code: 120 }],
  "complexity": ["error", 16], "max-lines": ["error", 350],
};
const names = (list) => Object.fromEntries(list.split(" ").map((name) => [name, "readonly"]));
const browser = names("window document navigator localStorage Blob File URL Response TextEncoder "
  + "DecompressionStream HTMLAnchorElement ImageData atob crypto setTimeout");
// Leaflet, and what folium's script draws before ours in the same function.
const drawn = names("L map_siting image_overlay_ground image_overlay_score");

export default [
  { ignores: ["**/shared/first.js", "**/node_modules/**"] },
  { files: ["**/*.js"], languageOptions: { ecmaVersion: 2022, sourceType: "module",
    globals: { ...browser, ...drawn } }, rules },
  // Only the desk speaks with a server, the one on this machine.
  { files: ["**/desk/**/*.js"], languageOptions: { globals: names("fetch EventSource") } },
  // The arithmetic knows no page: it runs under node as it does in a browser.
  { files: ["**/model/**/*.js"], languageOptions: { globals: { window: "off", document: "off",
    navigator: "off", localStorage: "off", L: "off" } } },
  { files: ["**/*.mjs"], languageOptions: { ecmaVersion: 2022, sourceType: "module",
    globals: names("globalThis process Buffer URL") }, rules },
];
