// The evidence of placing and forming: box an area of the picture to weigh it alone; slide what is assumed.

const WEIGHING_HELP =
  "Picture of the fragment, true to scale. Drag a box round an area to weigh its motifs alone; or set its corners " +
  "at the cross with Enter. Escape takes the box away. Arrow keys move the cross, with Shift 20 times as far; drag " +
  "with Shift moves the picture; plus, minus and 0 zoom.";

class Weighing extends Panel {
  constructor(model, el) {
    super(model, "chosen");
    this.open = null; // the first corner of a box under the hand
    const hooks = {
      down: (photo) => ((this.open = photo), true),
      move: () => this.stage.request(),
      up: (photo, { hasMoved }) => this.close(hasMoved ? photo : null),
      key: (event) => this.key(event),
    };
    this.stage = new Stage(WEIGHING_HELP, hooks, (context) => this.paint(context));
    this.build(el);
    this.follow({ "change:chosen": () => this.fill(), "change:outcome": () => this.weighed() });
    this.fill();
    this.stage.load(model, (text) => this.say(text));
  }

  build(el) {
    this.verdict = make("div", { class: "fk-verdict" });
    this.reason = make("input", { type: "text", "aria-label": "Reason for these weights", placeholder: "why" });
    const bar = make("div", { class: "fk-bar", role: "toolbar", "aria-label": "Weighing" },
      button("No area", () => this.choose({ box_px: [] }), "Escape"),
      button("Undo", () => this.undo(-1), "Ctrl+Z"), button("Redo", () => this.undo(1), "Ctrl+Shift+Z"),
      button("Whole picture", () => this.stage.fit(), "0"),
      this.reason, button("Keep the weights", () => this.save(), "Ctrl+S; writes them into survey.toml"));
    this.inputs = [];
    const scales = ["placing", "forming"].map((question) => this.scale(question));
    const side = make("div", { class: "fk-side" }, this.verdict, ...scales);
    el.append(widget(bar, make("div", { class: "fk-body" }, this.stage.frame, side), this.live));
  }

  scale(question) {
    const rows = Object.keys(this.model.get("chosen")[question]).map((answer) => {
      const name = `Assumed of ${question}: ${answer}`;
      const range = { type: "range", min: 0, max: 1, step: 0.05 };
      const input = make("input", { ...range, "aria-label": name, "data-key": answer });
      const [assumed, shown] = [make("td", { class: "fk-number" }), make("td", { class: "fk-number" })];
      input.addEventListener("change", () => this.weigh(question, answer, Number(input.value)));
      this.inputs.push({ question, answer, input, assumed, shown });
      return make("tr", {}, make("td", {}, answer), make("td", {}, input), assumed, shown);
    });
    const heads = [["Answer", 1], ["Assumed", 2], ["With the evidence", 1]].map(([title, colspan]) =>
      make("th", { scope: "col", colspan }, title));
    const caption = make("caption", {}, question === "placing" ? "How placed" : "How formed");
    const head = make("thead", {}, make("tr", {}, ...heads));
    return make("table", { class: "fk-table" }, caption, head, make("tbody", {}, ...rows));
  }

  choose(values) {
    this.commit({ ...this.model.get("chosen"), ...values });
  }

  weigh(question, answer, weight) {
    this.choose({ [question]: { ...this.model.get("chosen")[question], [answer]: weight } });
  }

  save() {
    this.ask("save", { chosen: this.model.get("chosen"), reason: this.reason.value });
  }

  weighed() {
    this.say("Weighed.");
    this.fill();
  }

  fill() {
    const { lines, posterior } = this.model.get("outcome");
    paragraphs(this.verdict, lines);
    for (const { question, answer, input, assumed, shown } of this.inputs) {
      const weights = this.model.get("chosen")[question];
      const total = Object.values(weights).reduce((sum, weight) => sum + weight, 0) || 1;
      input.value = weights[answer];
      assumed.textContent = (weights[answer] / total).toFixed(2);
      const share = posterior?.[question]?.[answer];
      shown.textContent = share === undefined ? "" : share.toFixed(2);
    }
    this.stage.request();
  }

  close(photo) {
    const { open } = this;
    this.open = null;
    this.stage.request();
    if (!photo || !open) return;
    this.say("Weighing the area …");
    this.choose({ box_px: [open.x, open.y, photo.x, photo.y] });
  }

  key(event) {
    return this.press(event, {
      Enter: () => (this.open ? this.close(this.stage.cursor) : (this.open = this.stage.cursor)),
      Escape: () => (this.open ? this.close(null) : this.choose({ box_px: [] })),
    });
  }

  // Motifs as dots; the chosen box in a full line; areas that are too regular in a dashed one, named.
  paint(context) {
    for (const [x, y] of this.model.get("motifs")) {
      const at = this.stage.toScreen(x, y);
      outlined(context, 1.2, () => context.arc(at.x, at.y, 3, 0, 2 * Math.PI));
    }
    for (const ring of this.model.get("regular")) this.ring(context, ring);
    const { cursor } = this.stage;
    const box = this.open ? [this.open.x, this.open.y, cursor.x, cursor.y] : this.model.get("chosen").box_px;
    if (!box.length) return;
    const [from, to] = [this.stage.toScreen(box[0], box[1]), this.stage.toScreen(box[2], box[3])];
    outlined(context, 2.2, () => context.rect(from.x, from.y, to.x - from.x, to.y - from.y));
    lettered(context, "area", Math.min(from.x, to.x) + 4, Math.min(from.y, to.y) - 8);
  }

  ring(context, ring) {
    const corners = ring.map(([x, y]) => this.stage.toScreen(x, y));
    outlined(context, 1.6, () => {
      corners.forEach(({ x, y }, at) => (at ? context.lineTo(x, y) : context.moveTo(x, y)));
      context.closePath();
    }, [6, 4]);
    lettered(context, "too regular", corners[0].x + 4, corners[0].y - 8);
  }
}

function render({ model, el }) {
  const view = new Weighing(model, el);
  return () => view.drop();
}

export default { render };
