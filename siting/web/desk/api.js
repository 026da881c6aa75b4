// Speaking with the desk's server: one token, plain data, every failure as words.

import { islandData } from "../shared/dom.js";

export const DATA = islandData();

export class Refused extends Error {
  constructor(status, said) {
    super(said.message || "The desk did not answer. If its window was closed, start it again and open the "
      + "new address that it prints.");
    this.status = status;
    this.code = said.code || "";
  }
}

async function answer(method, path, body, type) {
  const headers = { "X-Desk": DATA.token };
  if (body !== undefined) headers["Content-Type"] = type;
  let response = null;
  try {
    response = await fetch(path, { method, headers, body });
  } catch {
    throw new Refused(0, {});
  }
  const isJson = (response.headers.get("content-type") || "").includes("json");
  const said = isJson ? await response.json() : { message: await response.text() };
  if (!response.ok) throw new Refused(response.status, said);
  return said;
}

export const get = (path) => answer("GET", path);
export const send = (method, path, value) => answer(method, path, JSON.stringify(value), "application/json");
export const sendFile = (file, path = "/api/upload") => answer(
  "POST", `${path}?name=${encodeURIComponent(file.name)}`, file, "application/octet-stream");

// Downloads go through here because a plain link cannot carry the token.
export async function download(path, name) {
  const response = await fetch(path, { headers: { "X-Desk": DATA.token } });
  if (!response.ok) throw new Refused(response.status, { message: await response.text() });
  const url = URL.createObjectURL(await response.blob());
  const link = document.createElement("a");
  Object.assign(link, { href: url, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  window.setTimeout(() => URL.revokeObjectURL(url), 10000);
}

// Events of the server by name; the browser connects again by itself.
export function listen(handlers) {
  const source = new EventSource(`/api/events?t=${encodeURIComponent(DATA.token)}`);
  Object.entries(handlers).forEach(([name, act]) => {
    source.addEventListener(name, (event) => act(JSON.parse(event.data)));
  });
  return source;
}
