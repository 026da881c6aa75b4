// The browser's store for this page. It may be shut, full, or written by another page of the same
// origin (all pages opened from files are of one): every reading is checked by whoever asks.

// `read` returns text, null for none; `works` turns false for good at the first refusal.
export function openStore(key) {
  const store = {
    works: true,
    read() {
      return attempt(() => window.localStorage.getItem(key), null);
    },
    write(text) {
      attempt(() => window.localStorage.setItem(key, text));
    },
    forget() {
      attempt(() => window.localStorage.removeItem(key));
    },
  };
  function attempt(action, otherwise) {
    try {
      return action();
    } catch (error) {
      store.works = false;
      return otherwise;
    }
  }
  return store;
}
