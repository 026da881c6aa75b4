// What a sketch page keeps on the device, where its browser lets it.

export function deviceStore(key) {
  let works = true;
  const attempt = (act) => {
    try {
      return act(window.localStorage);
    } catch {
      works = false; // closed to pages opened from a file in some browsers
      return null;
    }
  };
  return {
    read: () => attempt((kept) => kept.getItem(key)) || "",
    write: (text) => { attempt((kept) => kept.setItem(key, text)); return works; },
  };
}
