// Where the reader stands, by the device, where it and its browser allow.

const REFUSED = "The phone was not allowed to say where it is. Allow the location for this page, or "
  + "type the position.";
const NOT_FOUND = "The phone did not find its position. Step into the open and try again, or type it.";
const NO_WAY = "This browser does not tell a page opened from a file where you are. Tap the place on "
  + "the map, or type the position from a compass or map app.";

export function canLocate() {
  return "geolocation" in navigator;
}

// Calls `show` with every new position, `fail` with an Error; returns what ends it.
export function watchPlace(show, fail) {
  const id = navigator.geolocation.watchPosition((found) => show(plainly(found)),
    ({ code }) => fail(new Error(code === 1 ? REFUSED : NOT_FOUND)),
    { enableHighAccuracy: true, timeout: 30000, maximumAge: 5000 });
  return () => navigator.geolocation.clearWatch(id);
}

function plainly({ coords }) {
  return { lat: coords.latitude, lon: coords.longitude,
    accuracy_m: Math.max(1, Math.round(coords.accuracy)) };
}

// Resolves to { lat, lon, accuracy_m }; rejects with an Error whose message can be shown.
export function locate() {
  return new Promise((resolve, reject) => {
    if (!canLocate()) {
      reject(new Error(NO_WAY));
      return;
    }
    navigator.geolocation.getCurrentPosition(
      (found) => resolve(plainly(found)),
      ({ code }) => reject(new Error(code === 1 ? REFUSED : NOT_FOUND)),
      { enableHighAccuracy: true, timeout: 20000, maximumAge: 5000 },
    );
  });
}
