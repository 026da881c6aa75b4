// Signs drawn on a canvas, by shape.

export const DRAW = {
  circle: (c, x, y, r) => c.arc(x, y, r, 0, 2 * Math.PI),
  square: (c, x, y, r) => c.rect(x - r * 0.85, y - r * 0.85, r * 1.7, r * 1.7),
  diamond: (c, x, y, r) => corners(c, x, y, r * 1.15, 4, -90),
  up: (c, x, y, r) => corners(c, x, y, r * 1.2, 3, -90),
  down: (c, x, y, r) => corners(c, x, y, r * 1.2, 3, 90),
  star: (c, x, y, r) => star(c, x, y, r * 1.25),
  bar: (c, x, y, r) => c.rect(x - r * 1.2, y - r * 0.5, r * 2.4, r),
  plus: (c, x, y, r) => plus(c, x, y, r * 1.05, 0),
  cross: (c, x, y, r) => plus(c, x, y, r * 1.05, 45),
};

function corners(c, x, y, r, n, from) {
  for (let k = 0; k < n; k += 1) {
    const turn = (from + (360 * k) / n) * Math.PI / 180;
    c.lineTo(x + r * Math.cos(turn), y + r * Math.sin(turn));
  }
  c.closePath();
}

function star(c, x, y, r) {
  for (let k = 0; k < 10; k += 1) {
    const turn = (-90 + 36 * k) * Math.PI / 180;
    const far = k % 2 ? r * 0.45 : r;
    c.lineTo(x + far * Math.cos(turn), y + far * Math.sin(turn));
  }
  c.closePath();
}

function plus(c, x, y, r, turned) {
  const w = r * 0.38;
  const xy = [[w, r], [w, w], [r, w], [r, -w], [w, -w], [w, -r], [-w, -r], [-w, -w], [-r, -w],
    [-r, w], [-w, w], [-w, r]];
  const cos = Math.cos(turned * Math.PI / 180);
  const sin = Math.sin(turned * Math.PI / 180);
  xy.forEach(([a, b]) => c.lineTo(x + a * cos - b * sin, y + a * sin + b * cos));
  c.closePath();
}

L.Canvas.include({
  _updateSign(layer) {
    if (!this._drawing || layer._empty()) return;
    const { x, y } = layer._point;
    this._ctx.beginPath();
    DRAW[layer.options.shape](this._ctx, x, y, layer._radius);
    this._fillStroke(this._ctx, layer);
  },
});

// A marker of Leaflet that draws itself in the shape its options name.
export const Sign = L.CircleMarker.extend({
  _updatePath() {
    this._renderer._updateSign(this);
  },
});
