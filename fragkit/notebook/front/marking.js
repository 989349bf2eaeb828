// Points on a photograph: place, move, name, snap and delete them; give them their millimetres; see what is left over.

const COLUMNS = [["name", "Name"], ["x_mm", "Across, mm"], ["y_mm", "Up, mm"], ["sd_mm", "± mm"]];
const MARKING_HELP =
  "Photograph. Arrow keys move the cross, finer the nearer you zoom, with Shift 20 times as far. Enter places a " +
  "point, M moves the chosen point to the cross, S snaps it to a mark, N and P choose the next and the previous, " +
  "Delete removes it, plus and minus zoom, 0 shows the whole picture.";

class PointMarking extends Panel {
  constructor(model, el) {
    super(model, "points");
    this.chosen = -1;
    this.drag = null;
    const hooks = {
      down: (photo, screen) => this.take(screen),
      move: (photo) => this.pull(photo),
      up: (photo, held) => this.release(photo, held),
      key: (event) => this.key(event),
      cursorMoved: ({ x, y }) => (this.where.textContent = `x ${x.toFixed(1)}, y ${y.toFixed(1)} px`),
    };
    this.stage = new Stage(MARKING_HELP, hooks, (context) => this.paint(context));
    this.build(el);
    this.follow({
      "change:points": () => this.refresh(),
      "change:outcome": () => this.refresh(),
      "change:distances": () => this.fillTape(),
      "msg:custom": (message) => this.answered(message),
    });
    this.refresh();
    this.stage.load(this.model, (text) => this.say(text));
  }

  build(el) {
    this.where = make("span", { class: "fk-where" });
    this.verdict = make("div", { class: "fk-verdict" });
    this.rows = make("tbody");
    el.append(widget(this.bar(), make("div", { class: "fk-body" }, this.stage.frame, this.side()), this.live));
  }

  bar() {
    const kinds = ["cross", "dot", "corner"].map((kind) => make("option", { value: kind }, kind));
    this.mark = make("select", { "aria-label": "Kind of mark to snap to" }, ...kinds);
    return make(
      "div", { class: "fk-bar", role: "toolbar", "aria-label": "Points" },
      ...this.common(),
      button("Delete point", () => this.remove(), "Delete"),
      make("label", {}, "Mark ", this.mark),
      button("Snap to it", () => this.snap(), "S"),
      button("Whole picture", () => this.stage.fit(), "0"),
      this.where,
    );
  }

  side() {
    const titles = this.columns().map(([, title]) => title);
    const heads = [...titles, "Left over"].map((title) => make("th", { scope: "col" }, title));
    const head = make("thead", {}, make("tr", {}, ...heads));
    const table = make("table", { class: "fk-table" }, make("caption", {}, "Points"), head, this.rows);
    const box = this.model.get("by_tape") ? this.tapeBox() : this.pasteBox();
    return make("div", { class: "fk-side" }, this.verdict, table, box);
  }

  pasteBox() {
    const hint = "point, across mm, up mm, ± mm; one row a point";
    return this.textBox("Paste coordinates", "paste", hint, "P1\t0\t0\nP2\t1210.5\t0").box;
  }

  tapeBox() {
    const hint = "from, to, distance mm, ± mm; one row a distance";
    const { box, text } = this.textBox("Taped distances", "tape", hint, "P1\tP3\t1534.5");
    this.tapeText = text;
    this.fillTape();
    return box;
  }

  fillTape() {
    const rows = this.model.get("distances").map((taped) => [taped.start, taped.end, taped.distance_mm, taped.sd_mm]);
    if (this.tapeText) this.tapeText.value = rows.map((row) => row.join("\t")).join("\n");
  }

  textBox(title, ask, hint, example) {
    const text = make("textarea", { rows: "5", "aria-label": `${title}: ${hint}`, placeholder: example });
    const take = button("Take over", () => this.ask(ask, { text: text.value }), hint);
    return { text, box: make("details", {}, make("summary", {}, title), make("p", {}, hint), text, take) };
  }

  columns() {
    return this.model.get("by_tape") ? COLUMNS.slice(0, 1) : COLUMNS;
  }

  points() {
    return this.model.get("points");
  }

  answered(message) {
    if (message.say) this.say(message.say);
    if (message.snapped == null) return;
    this.chosen = message.snapped;
    if (this.chosen < 0) this.add(message);
    else this.moveTo(message);
    this.stage.moveCursor(message.x, message.y);
  }

  freeName() {
    const taken = new Set(this.points().map((point) => point.name));
    let number = 1;
    while (taken.has(`P${number}`)) number += 1;
    return `P${number}`;
  }

  add({ x, y }) {
    const name = this.freeName();
    this.chosen = this.points().length;
    const unmeasured = { x_mm: null, y_mm: null, sd_mm: this.model.get("usual_sd_mm") };
    this.commit([...this.points(), { name, x_px: x, y_px: y, ...unmeasured }]);
    this.say(`${name} placed.`);
  }

  remove() {
    const point = this.points()[this.chosen];
    if (!point) return;
    const rest = this.points().filter((other) => other !== point);
    this.chosen = Math.min(this.chosen, rest.length - 1);
    this.commit(rest);
    this.say(`${point.name} deleted.`);
  }

  change(index, values) {
    this.commit(this.points().map((point, at) => (at === index ? { ...point, ...values } : point)));
  }

  moveTo({ x, y }) {
    if (this.points()[this.chosen]) this.change(this.chosen, { x_px: x, y_px: y });
  }

  choose(index) {
    this.chosen = index;
    this.refresh();
  }

  chooseNext(by) {
    const { length } = this.points();
    if (!length) return;
    this.choose((this.chosen + by + length) % length);
    const point = this.points()[this.chosen];
    this.stage.moveCursor(point.x_px, point.y_px);
    this.stage.keepInView();
    this.say(`${point.name} chosen.`);
  }

  snap() {
    const point = this.points()[this.chosen];
    const at = point ? { x: point.x_px, y: point.y_px } : this.stage.cursor;
    this.ask("snap", { index: point ? this.chosen : -1, ...at, mark: this.mark.value });
  }

  take(screen) {
    const index = this.stage.near(screen, this.points().map((point) => [point.x_px, point.y_px]));
    if (index >= 0) this.choose(index);
    return index >= 0;
  }

  pull(photo) {
    this.drag = photo;
    this.stage.request();
  }

  release(photo, { isTaken }) {
    if (!isTaken) this.add(photo);
    else if (this.drag) this.moveTo(this.drag);
    this.drag = null;
  }

  key(event) {
    return this.press(event, {
      Enter: () => this.add(this.stage.cursor), m: () => this.moveTo(this.stage.cursor), s: () => this.snap(),
      n: () => this.chooseNext(1), p: () => this.chooseNext(-1),
      Delete: () => this.remove(), Backspace: () => this.remove(),
    });
  }

  refresh() {
    const points = this.points();
    this.chosen = Math.min(this.chosen, points.length - 1);
    while (this.rows.children.length > points.length) this.rows.lastChild.remove();
    while (this.rows.children.length < points.length) this.rows.append(this.row());
    points.forEach((point, index) => this.fillRow(this.rows.children[index], point, index));
    paragraphs(this.verdict, this.model.get("outcome").lines);
    this.stage.request();
  }

  row() {
    const row = make("tr");
    for (const [key] of this.columns()) {
      const events = {
        onfocus: () => this.choose([...this.rows.children].indexOf(row)),
        onchange: (event) => this.entered([...this.rows.children].indexOf(row), key, event.target),
      };
      row.append(make("td", {}, make("input", { "data-key": key, ...events })));
    }
    row.append(make("td", { class: "fk-number" }));
    return row;
  }

  fillRow(row, point, index) {
    for (const [key, title] of this.columns()) {
      const input = row.querySelector(`[data-key=${key}]`);
      input.setAttribute("aria-label", `${title} of ${point.name}`);
      if (input !== document.activeElement) input.value = point[key] ?? "";
    }
    const over = this.leftOver(point.name);
    const isWorst = this.model.get("outcome").worst === point.name;
    row.lastChild.textContent = over ? `${over.mm.toFixed(2)} mm${isWorst ? ", worst" : ""}` : "";
    row.toggleAttribute("aria-current", index === this.chosen);
  }

  entered(index, key, input) {
    const text = input.value.trim();
    const point = this.points()[index];
    const value = key === "name" ? text : this.number(text);
    const isTwin = key === "name" && this.points().some((other) => other !== point && other.name === text);
    if (value === "" || value === undefined || isTwin) {
      const wrong = key === "name" ? "A point needs a name." : `${text} is not a number.`;
      this.say(isTwin ? `There is a point ${text} already.` : wrong);
      input.value = point[key] ?? "";
    } else this.change(index, { [key]: value });
  }

  // A decimal point or a decimal comma; nothing is null, anything else undefined.
  number(text) {
    if (!text) return null;
    const plain = text.replace("\u2212", "-").replace(",", ".");
    return /^[-+]?(\d+\.?\d*|\.\d+)$/.test(plain) ? Number(plain) : undefined;
  }

  leftOver(name) {
    return (this.model.get("outcome").residuals ?? []).find((residual) => residual.name === name);
  }

  paint(context) {
    this.points().forEach((point, index) => {
      const isChosen = index === this.chosen;
      const at = this.drag && isChosen ? this.drag : { x: point.x_px, y: point.y_px };
      this.paintPoint(context, point, this.stage.toScreen(at.x, at.y), { isChosen, isDragged: this.drag && isChosen });
    });
  }

  paintPoint(context, point, { x, y }, { isChosen, isDragged }) {
    const { worst, magnified } = this.model.get("outcome");
    const over = isDragged ? null : this.leftOver(point.name);
    if (over) {
      const long = magnified * this.stage.scale;
      outlined(context, 2, () => (context.moveTo(x, y), context.lineTo(x + over.dx_px * long, y + over.dy_px * long)));
    }
    outlined(context, isChosen ? 2.4 : 1.4, () => context.arc(x, y, isChosen ? 9 : 6, 0, 2 * Math.PI));
    if (point.name === worst) outlined(context, 1.4, () => context.arc(x, y, 14, 0, 2 * Math.PI), [5, 4]);
    const asks = !this.model.get("by_tape") && (point.x_mm === null || point.y_mm === null) ? " – no mm yet" : "";
    lettered(context, point.name + (point.name === worst ? " – worst" : asks), x + 13, y - 10);
  }
}

function render({ model, el }) {
  const view = new PointMarking(model, el);
  return () => view.drop();
}

export default { render };
