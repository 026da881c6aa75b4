// Handing something out of the page: a file, the clipboard.

import { node } from "./dom.js";

// False where the viewer cannot save: it would put the file in place of this page.
export function saveFile(name, type, text) {
  if (!("download" in HTMLAnchorElement.prototype)) return false;
  const url = URL.createObjectURL(new Blob([text], { type: type + ";charset=utf-8" }));
  const link = node("a", { href: url, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  window.setTimeout(() => URL.revokeObjectURL(url), 10000);
  return true;
}

// The clipboard's own interface is closed to pages opened from a file in some browsers.
export function copyText(text) {
  if (navigator.clipboard && window.isSecureContext) return navigator.clipboard.writeText(text);
  const area = node("textarea", { class: "unseen" });
  area.value = text;
  document.body.append(area);
  area.select();
  const done = document.execCommand("copy");
  area.remove();
  return done ? Promise.resolve() : Promise.reject(new Error("copying was refused"));
}

// Copies, and says beside the button whether it worked.
export function copyAndSay(text, said) {
  return copyText(text).then(
    () => { said.textContent = "Copied."; },
    () => { said.textContent = "The browser did not allow it: select the text and copy it yourself."; },
  );
}
