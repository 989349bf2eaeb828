// Areas on a photograph: brush or outline ground, shadow, metal, loss and later work; box an example of the motif.
// Strokes are plain values in photograph pixels; the kernel paints them into the label picture.

const HATCHES = ["nothing", "dots", "rising lines", "crossed lines", "falling lines", "level lines"];
const CORNERS = { brush: 1, outline: 3, example: 2 };
const LABELLING_HELP =
  "Photograph. Arrow keys move the cross, finer the nearer you zoom, with Shift 20 times as far. Space paints a spot " +
  "or sets a corner at the cross, Enter closes an outline, Escape gives it up. B brush, O outline, E example; the " +
  "letters in the list choose what is labelled; square brackets change the brush; plus, minus and 0 zoom.";

function hatchTile(kind, size = 11) {
  const tile = make("canvas", { width: size, height: size });
  const pen = tile.getContext("2d");
  outlined(pen, 1.1, () => {
    if (kind === "dots") pen.arc(size / 2, size / 2, 1.2, 0, 2 * Math.PI);
    if (kind === "rising lines" || kind === "crossed lines") pen.moveTo(0, size), pen.lineTo(size, 0);
    if (kind === "falling lines" || kind === "crossed lines") pen.moveTo(0, 0), pen.lineTo(size, size);
    if (kind === "level lines") pen.moveTo(-2, size / 2), pen.lineTo(size + 2, size / 2);
  });
  return tile;
}

function swatch(kind) {
  const canvas = document.createElement("canvas");
  Object.assign(canvas, { width: 24, height: 14, className: "fk-swatch" });
  const pen = canvas.getContext("2d");
  pen.fillStyle = "#9a9a94";
  pen.fillRect(0, 0, 24, 14);
  pen.fillStyle = pen.createPattern(hatchTile(kind), "repeat");
  pen.fillRect(0, 0, 24, 14);
  return canvas;
}

class AreaLabelling extends Panel {
  constructor(model, el) {
    super(model, "strokes");
    this.tool = "brush";
    this.code = 3;
    this.radius = 12; // photograph pixels
    this.open = null; // the stroke under the hand
    this.paths = new WeakMap();
    this.layer = document.createElement("canvas");
    const hooks = {
      down: (photo) => this.touch(photo),
      move: (photo) => this.pull(photo),
      up: (photo, held) => this.release(photo, held),
      key: (event) => this.key(event),
    };
    this.stage = new Stage(LABELLING_HELP, hooks, (context) => this.paint(context));
    this.build(el);
    this.follow({ "change:strokes": () => this.stage.request() });
    this.stage.load(this.model, (text) => this.say(text));
  }

  build(el) {
    this.choices = this.model.get("classes").map(([code, name, key]) => {
      const choice = button(`${name} (${key})`, () => this.setCode(code), HATCHES[code], pressed(code === this.code));
      choice.prepend(swatch(HATCHES[code]));
      return choice;
    });
    const body = make("div", { class: "fk-body" }, this.stage.frame);
    const labels = make("div", { class: "fk-bar", role: "group", "aria-label": "What is labelled" }, ...this.choices);
    el.append(widget(this.bar(), labels, body, this.live));
  }

  bar() {
    const names = [["brush", "Brush", "B"], ["outline", "Outline", "O"], ["example", "Box an example", "E"]];
    this.tools = names.map(([tool, name, hint]) =>
      button(name, () => this.setTool(tool), hint, { "data-tool": tool, ...pressed(tool === this.tool) }));
    this.size = make("input", {
      type: "number",
      min: "1",
      max: "400",
      value: this.radius,
      "aria-label": "Brush radius in photograph pixels",
      onchange: (event) => this.setRadius(Number(event.target.value) || this.radius),
    });
    return make(
      "div", { class: "fk-bar", role: "toolbar", "aria-label": "Tools" },
      ...this.tools, make("label", {}, "Radius ", this.size, " px"),
      button("Whole picture", () => this.stage.fit(), "0"), ...this.common(),
    );
  }

  name(code) {
    return this.model.get("classes")[code][1];
  }

  setTool(tool) {
    this.finish();
    this.tool = tool;
    for (const choice of this.tools) choice.setAttribute("aria-pressed", choice.dataset.tool === tool);
    this.stage.request();
  }

  setCode(code) {
    this.code = code;
    this.choices.forEach((choice, at) => choice.setAttribute("aria-pressed", at === code));
    this.say(`Labelling: ${this.name(code)}.`);
  }

  setRadius(radius) {
    this.radius = Math.round(10 * Math.min(400, Math.max(1, radius))) / 10;
    this.size.value = this.radius;
    this.stage.request();
  }

  undo(by) {
    if (this.open) this.giveUp();
    else super.undo(by);
  }

  save() {
    this.finish();
    super.save();
  }

  giveUp() {
    this.open = null;
    this.stage.request();
  }

  // Close the stroke under the hand and keep it, if it has corners enough.
  finish() {
    const { open } = this;
    this.open = null;
    this.stage.request();
    if (!open) return;
    if (open.points.length < CORNERS[open.kind]) {
      this.say(`An ${open.kind} needs ${CORNERS[open.kind]} corners.`);
      return;
    }
    const others = this.model.get("strokes").filter((stroke) => open.kind !== "example" || stroke.kind !== "example");
    this.commit([...others, open]);
    this.say(open.kind === "example" ? "Example boxed." : `${this.name(open.code)}: ${open.kind} kept.`);
  }

  begin({ x, y }) {
    const size = this.tool === "brush" ? { radius_px: this.radius } : {};
    this.open = { kind: this.tool, code: this.code, points: [[x, y]], ...size };
    this.stage.request();
  }

  // A corner of an outline or of the box round an example; on the first corner an outline closes.
  corner({ x, y }) {
    if (!this.open) {
      this.begin({ x, y });
      return;
    }
    const onFirst = this.stage.near(this.stage.toScreen(x, y), this.open.points.slice(0, 1)) === 0;
    const closes = this.open.kind === "outline" && onFirst && this.open.points.length >= 3;
    if (!closes) this.open.points.push([x, y]);
    if (closes || this.open.kind === "example") this.finish();
    this.stage.request();
  }

  touch(photo) {
    if (this.tool === "brush") this.begin(photo);
    else if (this.tool === "example" && !this.open) this.begin(photo);
    else return false;
    return true;
  }

  pull(photo) {
    if (this.tool !== "brush") return;
    const [x, y] = this.open.points.at(-1);
    if (Math.hypot(photo.x - x, photo.y - y) * this.stage.scale > 2) this.open.points.push([photo.x, photo.y]);
  }

  release(photo, { isTaken, hasMoved }) {
    if (this.tool === "brush") this.finish();
    else if (!isTaken || hasMoved) this.corner(photo);
  }

  key(event) {
    const labels = this.model.get("classes").map(([code, , letter]) => [letter, () => this.setCode(code)]);
    return this.press(event, {
      " ": () => this.spot(), Enter: () => this.finish(), Escape: () => this.giveUp(),
      b: () => this.setTool("brush"), o: () => this.setTool("outline"), e: () => this.setTool("example"),
      "[": () => this.setRadius(this.radius / 1.25), "]": () => this.setRadius(this.radius * 1.25),
      ...Object.fromEntries(labels),
    });
  }

  spot() {
    if (this.tool !== "brush") this.corner(this.stage.cursor);
    else {
      this.begin(this.stage.cursor);
      this.finish();
    }
  }

  // The labels are painted on a layer of their own, each stroke wiping what lies below it, as the kernel does.
  paint(context) {
    const { stage, layer } = this;
    Object.assign(layer, { width: stage.canvas.width, height: stage.canvas.height });
    const pen = layer.getContext("2d");
    const { scale, ratio } = stage;
    const [left, top] = [stage.left + scale / 2, stage.top + scale / 2];
    pen.setTransform(ratio * scale, 0, 0, ratio * scale, ratio * left, ratio * top);
    const strokes = [...this.model.get("before"), ...this.model.get("strokes")];
    if (this.open?.kind === "brush") strokes.push(this.open);
    for (const stroke of strokes) if (stroke.kind !== "example") this.paintStroke(pen, stroke);
    context.drawImage(layer, 0, 0, stage.width, stage.height);
    this.paintLines(context);
  }

  paintStroke(pen, stroke) {
    for (const mode of ["destination-out", "source-over"]) {
      if (mode === "source-over" && stroke.code === 0) return;
      pen.globalCompositeOperation = mode;
      pen.strokeStyle = pen.fillStyle = mode === "source-over" ? this.hatch(pen, stroke.code) : "#000";
      if (stroke.kind === "brush") {
        Object.assign(pen, { lineWidth: 2 * stroke.radius_px, lineCap: "round", lineJoin: "round" });
        pen.stroke(this.path(stroke));
      } else pen.fill(this.path(stroke), "evenodd");
    }
  }

  hatch(pen, code) {
    const pattern = pen.createPattern(hatchTile(HATCHES[code]), "repeat");
    pattern.setTransform(new DOMMatrix().scale(1 / this.stage.scale));
    return pattern;
  }

  path(stroke) {
    const isKept = stroke !== this.open;
    if (isKept && this.paths.has(stroke)) return this.paths.get(stroke);
    const path = new Path2D();
    for (const ring of stroke.rings ?? [stroke.points]) {
      ring.forEach(([x, y], at) => (at ? path.lineTo(x, y) : path.moveTo(x, y)));
      if (stroke.kind !== "brush") path.closePath();
      else if (ring.length === 1) path.lineTo(ring[0][0] + 0.01, ring[0][1]);
    }
    if (isKept) this.paths.set(stroke, path);
    return path;
  }

  // Edges of outlines, the box round the example, the stroke under the hand, and the brush.
  paintLines(context) {
    const { cursor, scale } = this.stage;
    for (const stroke of this.model.get("strokes")) if (stroke.kind !== "brush") this.paintEdge(context, stroke, []);
    if (this.open && this.open.kind !== "brush") this.paintEdge(context, this.open, [[cursor.x, cursor.y]]);
    if (this.tool !== "brush") return;
    const { x, y } = this.stage.toScreen(cursor.x, cursor.y);
    outlined(context, 1.2, () => context.arc(x, y, this.radius * scale, 0, 2 * Math.PI));
  }

  paintEdge(context, stroke, more) {
    const corners = [...stroke.points, ...more].map(([x, y]) => this.stage.toScreen(x, y));
    if (stroke.kind === "example") {
      const [a, b] = corners;
      outlined(context, 2.4, () => context.rect(a.x, a.y, b.x - a.x, b.y - a.y));
      lettered(context, "example", Math.min(a.x, b.x) + 4, Math.min(a.y, b.y) - 8);
      return;
    }
    outlined(context, 1.2, () => {
      corners.forEach(({ x, y }, at) => (at ? context.lineTo(x, y) : context.moveTo(x, y)));
      if (!more.length) context.closePath();
    });
  }
}

function render({ model, el }) {
  const view = new AreaLabelling(model, el);
  return () => view.drop();
}

export default { render };
