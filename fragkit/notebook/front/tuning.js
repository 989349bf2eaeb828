// A wall tuned by sliders: its elevation is drawn anew by the kernel's layout. Filled: measured; outline: laid out.

const TUNING_HELP =
  "Elevation of the wall in mm. Arrow keys move the cross, with Shift 20 times as far; plus, minus and 0 zoom. The " +
  "sliders beside it change the layout.";
const SLIDERS = [
  ["across_mm", "Repeat across", "mm"], ["down_mm", "Row to row", "mm"],
  ["clearance_mm", "Clear of the edges", "mm"], ["irregularity_ratio", "Irregularity, of the old hand's", ""],
];
const LISTS = [["on_axis", "On the axis"], ["follow", "Rows follow"], ["rule", "At the edges"]];
const PER_MOTIF = 6;
const MARGIN_MM = 60;
const SETTLE_MS = 500;

class WallTuning extends Panel {
  constructor(model, el) {
    super(model, "settings");
    this.stage = new Stage(TUNING_HELP, { key: (event) => this.press(event, {}) }, (context) => this.paint(context));
    this.build(el);
    this.follow({
      "change:settings": () => this.fill(), "change:outcome": () => this.arrived(),
      "change:versions": () => this.list(), "change:shapes": () => this.frame(),
    });
    this.frame();
    this.fill();
    this.arrived();
    this.list();
  }

  build(el) {
    this.inputs = {};
    this.verdict = make("div", { class: "fk-verdict" });
    this.kept = make("ol", { class: "fk-kept" });
    this.reason = make("input", { type: "text", "aria-label": "Reason for keeping this version", placeholder: "why" });
    const bar = make("div", { class: "fk-bar", role: "toolbar", "aria-label": "Versions" },
      this.reason, button("Keep version", () => this.save(), "Ctrl+S; writes it into survey.toml"),
      button("Undo", () => this.undo(-1), "Ctrl+Z"), button("Redo", () => this.undo(1), "Ctrl+Shift+Z"),
      button("Whole wall", () => this.stage.fit(), "0"));
    const sliders = SLIDERS.map(([key, name, unit]) => this.slider(key, name, unit));
    const lists = LISTS.map(([key, name]) => this.choice(key, name));
    const legend = make("p", {}, "Filled: measured on the wall. Half filled: between evidence. Outline: laid out. " +
      "In a square: eased at an edge. Crossed: left out.");
    const side = make("div", { class: "fk-side" }, ...sliders, ...lists, this.verdict, legend, this.kept);
    el.append(widget(bar, make("div", { class: "fk-body" }, this.stage.frame, side), this.live));
  }

  slider(key, name, unit) {
    const [min, max, step] = this.model.get("limits")[key];
    const shown = make("output", { class: "fk-number" });
    const input = make("input", { type: "range", min, max, step, "data-key": key, "aria-label": name });
    input.addEventListener("input", () => this.set(key, Number(input.value)));
    this.inputs[key] = { input, shown, unit };
    return make("label", { class: "fk-slider" }, make("span", {}, name), input, shown);
  }

  choice(key, name) {
    const options = this.model.get("limits")[key].map((value) => make("option", { value }, value));
    const input = make("select", { "data-key": key, "aria-label": name }, ...options);
    input.addEventListener("change", () => this.set(key, input.value));
    this.inputs[key] = { input };
    return make("label", { class: "fk-slider" }, make("span", {}, name), input);
  }

  // One change at a time is under way; of those made meanwhile the last is sent when the answer is there.
  set(key, value) {
    this.wanted = { ...(this.wanted ?? this.model.get("settings")), [key]: value };
    this.fill();
    if (!this.isUnderWay) this.send();
  }

  send() {
    const { wanted } = this;
    this.wanted = null;
    if (!wanted) return;
    this.isUnderWay = true;
    this.asked = performance.now();
    this.commit(wanted);
  }

  arrived() {
    this.isUnderWay = false;
    this.stage.canvas.dataset.redrawMs = this.asked ? performance.now() - this.asked : 0;
    const bytes = this.model.get("motifs");
    const start = bytes?.byteOffset ?? 0;
    const whole = bytes?.buffer ?? bytes;
    this.motifs = bytes?.byteLength ? new Float32Array(whole.slice(start, start + bytes.byteLength)) : [];
    paragraphs(this.verdict, this.model.get("outcome").lines);
    this.stage.request();
    this.send();
    clearTimeout(this.settling);
    if (this.model.get("outcome").lines?.some((line) => line.includes("the room follows"))) {
      this.settling = setTimeout(() => this.isUnderWay || this.ask("settle"), SETTLE_MS);
    }
  }

  drop() {
    clearTimeout(this.settling);
    super.drop();
  }

  save() {
    this.ask("save", { settings: this.wanted ?? this.model.get("settings"), reason: this.reason.value });
  }

  fill() {
    const settings = this.wanted ?? this.model.get("settings");
    for (const [key, { input, shown, unit }] of Object.entries(this.inputs)) {
      input.value = settings[key];
      if (shown) shown.textContent = `${settings[key].toFixed(key === "clearance_mm" ? 0 : 1)} ${unit}`;
    }
  }

  list() {
    this.kept.replaceChildren(...this.model.get("versions").map(({ words, reason, settings }) =>
      make("li", {}, `${words}. ${reason} `, button("Go back to it", () => this.commit(settings), words))));
  }

  // The stage counts from the top left corner of the wall, in mm.
  frame() {
    const { outline, forms } = this.model.get("shapes");
    if (!outline) return;
    const [xs, ys] = [outline.map(([x]) => x), outline.map(([, y]) => y)];
    this.corner = { x: Math.min(...xs) - MARGIN_MM, y: Math.max(...ys) + MARGIN_MM };
    const width = Math.max(...xs) + MARGIN_MM - this.corner.x;
    this.paths = forms.map((rings) => this.path(rings));
    this.stage.show({ width, height: this.corner.y + MARGIN_MM - Math.min(...ys), levels: [] });
  }

  path(rings) {
    const path = new Path2D();
    for (const ring of rings) {
      ring.forEach(([x, y], at) => (at ? path.lineTo(x, -y) : path.moveTo(x, -y)));
      path.closePath();
    }
    return path;
  }

  screen(x, y) {
    return this.stage.toScreen(x - this.corner.x - 0.5, this.corner.y - y - 0.5);
  }

  paint(context) {
    const { outline, openings, axis } = this.model.get("shapes");
    const colour = getComputedStyle(this.stage.canvas).color;
    context.fillStyle = context.strokeStyle = colour;
    for (const ring of [outline, ...openings]) this.line(context, [...ring, ring[0]]);
    if (axis !== null) this.line(context, [[axis, -1e5], [axis, 1e5]], [8, 4, 2, 4]);
    for (let at = 0; at < this.motifs.length; at += PER_MOTIF) this.paintMotif(context, this.motifs, at);
    for (const [x, y] of this.model.get("outcome").dropped ?? []) this.cross(context, this.screen(x, y));
  }

  line(context, points, dash = []) {
    context.lineWidth = 1.2;
    context.setLineDash(dash);
    context.beginPath();
    for (const [x, y] of points) {
      const place = this.screen(x, y);
      context.lineTo(place.x, place.y);
    }
    context.stroke();
    context.setLineDash([]);
  }

  paintMotif(context, motifs, at) {
    const { x, y } = this.screen(motifs[at], motifs[at + 1]);
    if (x < -60 || y < -60 || x > this.stage.width + 60 || y > this.stage.height + 60) return;
    const scale = this.stage.scale * motifs[at + 2];
    context.save();
    context.translate(x, y);
    context.scale(scale, scale);
    const path = this.paths[motifs[at + 3]];
    context.lineWidth = 1 / scale;
    context.globalAlpha = motifs[at + 4] === 1 ? 0.45 : 1;
    if (motifs[at + 4] < 2) context.fill(path, "evenodd");
    context.globalAlpha = 1;
    context.stroke(path);
    context.restore();
    if (motifs[at + 5]) context.strokeRect(x - 5, y - 5, 10, 10);
  }

  cross(context, { x, y }) {
    context.beginPath();
    for (const up of [-1, 1]) (context.moveTo(x - 5, y + 5 * up), context.lineTo(x + 5, y - 5 * up));
    context.stroke();
  }
}

function render({ model, el }) {
  const view = new WallTuning(model, el);
  return () => view.drop();
}

export default { render };
