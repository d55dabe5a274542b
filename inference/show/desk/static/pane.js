// A canvas that shows a plane, zoomed and moved by wheel, drag, pinch, double click and keys.

const MOST_SCALE = 40; // CSS px per unit of a picture
const STEP = 1.5;

export class Pane {
  /**
   * `bounds` [x0, y0, x1, y1]: what the whole is. `paint(context, pane)` draws in CSS px; `pick(x, y)`
   * hears of a click, in the plane's units.
   */
  constructor(canvas, bounds, { paint, pick, mostScale = MOST_SCALE }) {
    Object.assign(this, { canvas, bounds, paint, pick, mostScale });
    this.context = canvas.getContext("2d");
    this.whole = true;
    this.pointers = new Map();
    this.moved = 0;
    this.listen();
    new ResizeObserver(() => this.measure()).observe(canvas);
    this.measure();
  }

  measure() {
    const box = this.canvas.getBoundingClientRect();
    const ratio = window.devicePixelRatio || 1;
    [this.width, this.height] = [box.width, box.height];
    this.canvas.width = Math.max(1, Math.round(box.width * ratio));
    this.canvas.height = Math.max(1, Math.round(box.height * ratio));
    this.ratio = ratio;
    if (this.whole) this.fit();
    else this.draw(true);
  }

  get leastScale() {
    const [x0, y0, x1, y1] = this.bounds;
    return Math.min(this.width / (x1 - x0), this.height / (y1 - y0));
  }

  /** Show the whole. */
  fit() {
    this.goTo(this.bounds, 0);
    this.whole = true;
  }

  /** Show a box with a margin (share of its size) round it. */
  goTo([x0, y0, x1, y1], margin) {
    const scale = Math.min(this.width / (x1 - x0), this.height / (y1 - y0)) / (1 + margin);
    this.scale = Math.min(Math.max(scale, this.leastScale), this.mostScale);
    [this.x, this.y] = [(x0 + x1) / 2, (y0 + y1) / 2];
    this.whole = false;
    this.draw();
  }

  /** Nearer (factor > 1) or farther, with the place under (px, py) staying where it is. */
  zoom(factor, px = this.width / 2, py = this.height / 2) {
    const [x, y] = this.toPlane(px, py);
    const scale = Math.min(Math.max(this.scale * factor, this.leastScale), this.mostScale);
    this.x = x - (px - this.width / 2) / scale;
    this.y = y - (py - this.height / 2) / scale;
    this.scale = scale;
    this.whole = scale === this.leastScale;
    if (this.whole) this.fit();
    else this.draw();
  }

  move(dx, dy) {
    const [x0, y0, x1, y1] = this.bounds;
    this.x = Math.min(Math.max(this.x - dx / this.scale, x0), x1);
    this.y = Math.min(Math.max(this.y - dy / this.scale, y0), y1);
    this.whole = false;
    this.draw();
  }

  toScreen(x, y) {
    return [(x - this.x) * this.scale + this.width / 2, (y - this.y) * this.scale + this.height / 2];
  }

  toPlane(px, py) {
    return [this.x + (px - this.width / 2) / this.scale, this.y + (py - this.height / 2) / this.scale];
  }

  draw(now = false) {
    if (now) {
      this.render();
    } else if (!this.waiting) {
      this.waiting = true;
      requestAnimationFrame(() => this.render());
    }
  }

  render() {
    this.waiting = false;
    if (!this.width || !this.height) return;
    this.context.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    this.context.clearRect(0, 0, this.width, this.height);
    this.paint(this.context, this);
  }

  listen() {
    const c = this.canvas;
    c.addEventListener("wheel", (event) => {
      event.preventDefault();
      this.zoom(Math.exp(-event.deltaY * 0.0015), event.offsetX, event.offsetY);
    }, { passive: false });
    c.addEventListener("dblclick", (event) => this.zoom(2.5, event.offsetX, event.offsetY));
    c.addEventListener("pointerdown", (event) => {
      c.setPointerCapture(event.pointerId);
      this.pointers.set(event.pointerId, [event.offsetX, event.offsetY]);
      this.moved = 0;
    });
    c.addEventListener("pointermove", (event) => this.drag(event));
    c.addEventListener("pointerup", (event) => {
      const alone = this.pointers.size === 1 && this.moved < 5;
      this.pointers.delete(event.pointerId);
      if (alone && event.detail < 2) this.pick?.(...this.toPlane(event.offsetX, event.offsetY));
    });
    c.addEventListener("pointercancel", (event) => this.pointers.delete(event.pointerId));
    c.addEventListener("keydown", (event) => this.key(event));
  }

  drag(event) {
    const before = this.pointers.get(event.pointerId);
    if (before === undefined) return;
    const now = [event.offsetX, event.offsetY];
    const [dx, dy] = [now[0] - before[0], now[1] - before[1]];
    this.moved += Math.abs(dx) + Math.abs(dy);
    const other = [...this.pointers].find(([id]) => id !== event.pointerId)?.[1];
    this.pointers.set(event.pointerId, now);
    if (other === undefined) {
      if (this.moved >= 5) this.move(dx, dy);
      return;
    }
    const apart = (p) => Math.hypot(p[0] - other[0], p[1] - other[1]);
    const middle = [(now[0] + other[0]) / 2, (now[1] + other[1]) / 2];
    this.zoom(apart(now) / Math.max(apart(before), 1), ...middle);
  }

  key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const far = 60;
    const does = {
      ArrowLeft: () => this.move(far, 0),
      ArrowRight: () => this.move(-far, 0),
      ArrowUp: () => this.move(0, far),
      ArrowDown: () => this.move(0, -far),
      "+": () => this.zoom(STEP),
      "=": () => this.zoom(STEP),
      "-": () => this.zoom(1 / STEP),
      0: () => this.fit(),
    }[event.key];
    if (does === undefined) return;
    event.preventDefault();
    event.stopPropagation();
    does();
  }
}
