// Shared by the widgets: a canvas on which a photograph is zoomed, panned and pointed at, by mouse and by keyboard.
// Photograph coordinates are pixels with the centre of the top-left pixel at (0, 0); the canvas counts from its corner.

const MAX_SCALE = 40;
const PICK_RADIUS = 11;
const STEPS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50];
const LOUPE = 152;
const MOVES = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

// The photograph, and copies of half, a quarter … its size: zoomed out, the eye gets averages, the screen less work.
async function decode(view, [width, height]) {
  const bytes = new Uint8Array(view.buffer ?? view, view.byteOffset ?? 0, view.byteLength);
  const levels = [await createImageBitmap(new Blob([bytes], { type: "image/jpeg" }))];
  while (levels.at(-1).width > 1400) {
    const last = levels.at(-1);
    const size = { resizeWidth: Math.ceil(last.width / 2), resizeHeight: Math.ceil(last.height / 2) };
    levels.push(await createImageBitmap(last, { ...size, resizeQuality: "medium" }));
  }
  return { width, height, levels };
}

class Stage {
  // `draw(context)` paints over the photograph; `hooks` may hold down, move, up, key and cursorMoved.
  constructor(label, hooks, draw) {
    this.hooks = hooks;
    this.draw = draw;
    this.scale = 1;
    this.left = this.top = 0;
    this.cursor = { x: 0, y: 0 };
    this.canvas = make("canvas", { class: "fk-canvas", tabindex: "0", role: "application", "aria-label": label });
    this.loupe = make("canvas", { class: "fk-loupe", width: LOUPE, height: LOUPE, "aria-hidden": "true" });
    this.frame = make("div", { class: "fk-stage" }, this.canvas, this.loupe);
    this.listen();
  }

  listen() {
    const listeners = {
      pointerdown: (event) => this.pointerDown(event),
      pointermove: (event) => this.pointerMove(event),
      pointerup: (event) => this.pointerUp(event),
      pointercancel: () => (this.held = null),
      keydown: (event) => this.keyDown(event),
      contextmenu: (event) => event.preventDefault(),
      focus: () => this.request(),
      blur: () => this.request(),
    };
    for (const [name, listener] of Object.entries(listeners)) this.canvas.addEventListener(name, listener);
    this.canvas.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    this.resizes = new ResizeObserver(() => this.resize());
    this.resizes.observe(this.frame);
  }

  async load(model, say) {
    try {
      this.show(await decode(model.get("picture"), model.get("size_px")));
    } catch (error) {
      say(`This browser cannot show the photograph: ${error.message}`);
    }
  }

  show(photo) {
    this.photo = photo;
    this.resize();
    this.fit();
    this.moveCursor(Math.round(photo.width / 2), Math.round(photo.height / 2));
  }

  resize() {
    const { width, height } = this.frame.getBoundingClientRect();
    if (!width || !height) return;
    const isFirst = !this.width;
    Object.assign(this, { width, height, ratio: window.devicePixelRatio || 1 });
    this.canvas.width = Math.round(width * this.ratio);
    this.canvas.height = Math.round(height * this.ratio);
    if (isFirst || this.isFitted) this.fit();
    this.request();
  }

  fitScale() {
    return Math.min(this.width / this.photo.width, this.height / this.photo.height);
  }

  fit() {
    if (!this.photo || !this.width) return;
    this.isFitted = true;
    this.scale = this.fitScale();
    this.left = (this.width - this.photo.width * this.scale) / 2;
    this.top = (this.height - this.photo.height * this.scale) / 2;
    this.request();
  }

  zoom(factor, at) {
    this.isFitted = false;
    const scale = Math.min(MAX_SCALE, Math.max(0.5 * this.fitScale(), this.scale * factor));
    this.left = at.x - ((at.x - this.left) * scale) / this.scale;
    this.top = at.y - ((at.y - this.top) * scale) / this.scale;
    this.scale = scale;
    this.request();
  }

  toScreen(x, y) {
    return { x: (x + 0.5) * this.scale + this.left, y: (y + 0.5) * this.scale + this.top };
  }

  toPhoto({ x, y }) {
    return { x: (x - this.left) / this.scale - 0.5, y: (y - this.top) / this.scale - 0.5 };
  }

  // From the canvas itself, which has no border: one would move every click.
  place(event) {
    const box = this.canvas.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top };
  }

  near(point, places) {
    let best = -1;
    let reach = PICK_RADIUS;
    places.forEach(([x, y], index) => {
      const screen = this.toScreen(x, y);
      const gap = Math.hypot(screen.x - point.x, screen.y - point.y);
      if (gap < reach) [best, reach] = [index, gap];
    });
    return best;
  }

  step() {
    return STEPS.find((step) => step * this.scale >= 0.99) ?? STEPS.at(-1);
  }

  // Within the photograph, and to a thousandth of a pixel, as the tables have it.
  inside({ x, y }) {
    const [right, bottom] = [this.photo.width - 0.5, this.photo.height - 0.5];
    const round = (value) => Math.round(1000 * value) / 1000;
    return { x: round(Math.min(right, Math.max(-0.5, x))), y: round(Math.min(bottom, Math.max(-0.5, y))) };
  }

  moveCursor(x, y) {
    this.cursor = this.inside({ x, y });
    this.hooks.cursorMoved?.(this.cursor);
    this.request();
  }

  keepInView() {
    const { x, y } = this.toScreen(this.cursor.x, this.cursor.y);
    const edge = 40;
    this.left += Math.max(0, edge - x) - Math.max(0, x - this.width + edge);
    this.top += Math.max(0, edge - y) - Math.max(0, y - this.height + edge);
  }

  pointerDown(event) {
    this.canvas.focus();
    if (!this.photo) return;
    const screen = this.place(event);
    const photo = this.inside(this.toPhoto(screen));
    this.moveCursor(photo.x, photo.y);
    this.canvas.setPointerCapture(event.pointerId);
    const isTaken = event.button === 0 && !event.shiftKey && Boolean(this.hooks.down?.(photo, screen));
    this.held = { screen, isTaken, hasMoved: false, isMain: event.button === 0 && !event.shiftKey };
  }

  pointerMove(event) {
    // Browsers send moves of a mouse that lies still when the page changes under it; the cross must not follow.
    const still = this.last?.x === event.clientX && this.last?.y === event.clientY;
    this.last = { x: event.clientX, y: event.clientY };
    if (!this.photo || still) return;
    const screen = this.place(event);
    if (this.held) this.drag(screen);
    const photo = this.toPhoto(screen);
    this.moveCursor(photo.x, photo.y);
  }

  drag(screen) {
    const { held } = this;
    const [dx, dy] = [screen.x - held.screen.x, screen.y - held.screen.y];
    held.hasMoved ||= Math.hypot(dx, dy) > 3;
    if (!held.hasMoved) return;
    if (held.isTaken) this.hooks.move?.(this.inside(this.toPhoto(screen)));
    else {
      this.isFitted = false;
      this.left += dx;
      this.top += dy;
      held.screen = screen;
    }
  }

  pointerUp(event) {
    const { held } = this;
    this.held = null;
    if (!held || !this.photo) return;
    const photo = this.toPhoto(this.place(event));
    const { x, y } = this.inside(photo);
    const isOnPhoto = Math.hypot(x - photo.x, y - photo.y) < 0.01;
    if (held.isTaken || (held.isMain && isOnPhoto && !held.hasMoved)) this.hooks.up?.({ x, y }, held);
    this.request();
  }

  wheel(event) {
    event.preventDefault();
    if (this.photo) this.zoom(Math.exp(-event.deltaY * (event.deltaMode ? 0.05 : 0.0016)), this.place(event));
  }

  keyDown(event) {
    if (!this.photo || !(this.moveByKey(event) || this.viewByKey(event) || this.hooks.key?.(event))) return;
    event.preventDefault();
  }

  moveByKey(event) {
    const move = MOVES[event.key];
    if (!move || event.ctrlKey || event.metaKey || event.altKey) return false;
    const step = this.step() * (event.shiftKey ? 20 : 1);
    this.moveCursor(this.cursor.x + move[0] * step, this.cursor.y + move[1] * step);
    this.keepInView();
    return true;
  }

  viewByKey(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return false;
    if (event.key === "0") this.fit();
    else if (event.key === "+" || event.key === "=") this.zoom(1.4, this.toScreen(this.cursor.x, this.cursor.y));
    else if (event.key === "-") this.zoom(1 / 1.4, this.toScreen(this.cursor.x, this.cursor.y));
    else return false;
    return true;
  }

  request() {
    this.waiting ||= requestAnimationFrame(() => {
      this.waiting = 0;
      this.paint();
    });
  }

  paint() {
    if (!this.photo || !this.width) return;
    const context = this.canvas.getContext("2d");
    context.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    context.clearRect(0, 0, this.width, this.height);
    this.paintPhoto(context);
    this.draw(context);
    if (document.activeElement === this.canvas) this.paintCursor(context);
    this.paintLoupe();
    this.canvas.dataset.view = [this.scale, this.left, this.top].join(" ");
    this.canvas.dataset.cursor = [this.cursor.x, this.cursor.y].join(" ");
  }

  // Only the part in view is handed over, so that a large photograph pans as lightly as a small one.
  paintPhoto(context) {
    const { width, height, levels } = this.photo;
    const want = this.scale * this.ratio * width;
    const level = levels.findLast((bitmap) => bitmap.width >= want) ?? levels[0];
    const [across, down] = level ? [level.width / width, level.height / height] : [1, 1];
    const x0 = Math.max(0, Math.floor(-this.left / this.scale));
    const y0 = Math.max(0, Math.floor(-this.top / this.scale));
    const x1 = Math.min(width, Math.ceil((this.width - this.left) / this.scale));
    const y1 = Math.min(height, Math.ceil((this.height - this.top) / this.scale));
    if (x1 <= x0 || y1 <= y0 || !level) return;
    const place = [this.left + x0 * this.scale, this.top + y0 * this.scale];
    const size = [(x1 - x0) * this.scale, (y1 - y0) * this.scale];
    context.imageSmoothingEnabled = this.scale < 4;
    context.drawImage(level, x0 * across, y0 * down, (x1 - x0) * across, (y1 - y0) * down, ...place, ...size);
    Object.assign(context, { lineWidth: 1, strokeStyle: DARK });
    context.strokeRect(this.left - 0.5, this.top - 0.5, width * this.scale + 1, height * this.scale + 1);
  }

  paintCursor(context) {
    const { x, y } = this.toScreen(this.cursor.x, this.cursor.y);
    outlined(context, 1.4, () => {
      for (const [dx, dy] of Object.values(MOVES)) {
        context.moveTo(x + 5 * dx, y + 5 * dy);
        context.lineTo(x + 15 * dx, y + 15 * dy);
      }
    });
  }

  paintLoupe() {
    this.loupe.hidden = !this.photo.levels.length;
    if (this.loupe.hidden) return;
    const context = this.loupe.getContext("2d");
    const { x, y } = this.cursor;
    const shrink = this.photo.levels[0].width / this.photo.width;
    const half = (LOUPE / 2 / Math.max(8, 2 * this.scale)) * shrink;
    context.clearRect(0, 0, LOUPE, LOUPE);
    context.imageSmoothingEnabled = false;
    const [centreX, centreY] = [(x + 0.5) * shrink, (y + 0.5) * shrink];
    context.drawImage(this.photo.levels[0], centreX - half, centreY - half, 2 * half, 2 * half, 0, 0, LOUPE, LOUPE);
    outlined(context, 1, () => {
      for (const [start, end] of [[0, LOUPE / 2 - 6], [LOUPE / 2 + 6, LOUPE]]) {
        context.moveTo(LOUPE / 2, start);
        context.lineTo(LOUPE / 2, end);
        context.moveTo(start, LOUPE / 2);
        context.lineTo(end, LOUPE / 2);
      }
    });
    const screen = this.toScreen(x, y);
    const isUnder = screen.x > this.width - LOUPE - 40 && screen.y < LOUPE + 40;
    this.loupe.style.left = isUnder ? "8px" : "auto";
  }

  drop() {
    this.resizes.disconnect();
    cancelAnimationFrame(this.waiting);
  }
}
