// Motifs found in a photograph: the doubtful first; accept, move or drop each. A mark's shape says what it is.

const REVIEWING_HELP =
  "Picture of the fragment, true to scale. N and P choose the next and the previous site, the doubtful first. A " +
  "accepts it, D drops it, M moves it to the cross, U takes the decision back. Arrow keys move the cross, with " +
  "Shift 20 times as far; plus, minus and 0 zoom.";
const ASKED = { accept: "accepted", move: "moved", drop: "dropped" };
const CLOSE_UP = 1.2;

class CentreReviewing extends Panel {
  constructor(model, el) {
    super(model, "decisions");
    this.chosen = 0;
    this.pulled = null;
    const hooks = {
      down: (photo, screen) => this.take(screen),
      move: (photo) => this.pull(photo),
      up: (photo, held) => this.release(photo, held),
      key: (event) => this.key(event),
    };
    this.stage = new Stage(REVIEWING_HELP, hooks, (context) => this.paint(context));
    this.build(el);
    this.follow({ "change:decisions": () => this.refresh(), "change:outcome": () => this.refresh() });
    this.refresh();
    this.stage.load(model, (text) => this.say(text));
  }

  build(el) {
    this.about = make("p", { class: "fk-about" });
    this.verdict = make("div", { class: "fk-verdict" });
    this.rows = make("tbody");
    const bar = make(
      "div", { class: "fk-bar", role: "toolbar", "aria-label": "Review" },
      button("Previous", () => this.step(-1), "P"), button("Next", () => this.step(1), "N"),
      button("Accept", () => this.decide("accept"), "A"), button("Move to the cross", () => this.decide("move"), "M"),
      button("Drop", () => this.decide("drop"), "D"), button("Take back", () => this.decide(null), "U"),
      ...this.common(), button("Whole picture", () => this.stage.fit(), "0"),
    );
    const heads = ["Site", "Found", "Decided"].map((title) => make("th", { scope: "col" }, title));
    const caption = make("caption", {}, "Sites, the doubtful first");
    const table = make("table", { class: "fk-table" }, caption, make("thead", {}, make("tr", {}, ...heads)), this.rows);
    const side = make("div", { class: "fk-side" }, this.about, this.verdict, table);
    this.model.get("sites").forEach((site, at) => this.rows.append(this.row(site, at)));
    el.append(widget(bar, make("div", { class: "fk-body" }, this.stage.frame, side), this.live));
  }

  row(site, at) {
    const name = button(site.name, () => this.choose(at), site.why || "no doubt", { "data-site": site.name });
    const found = site.why ? `${site.status}; ${site.why}` : site.status;
    return make("tr", {}, make("td", {}, name), make("td", {}, found), make("td"));
  }

  sites() {
    return this.model.get("sites");
  }

  decided(site) {
    return this.model.get("decisions").find((one) => one.site === site.name);
  }

  place(site) {
    const one = this.decided(site);
    if (this.pulled && site === this.sites()[this.chosen]) return this.pulled;
    return one?.verdict === "move" ? { x: one.x_px, y: one.y_px } : { x: site.x_px, y: site.y_px };
  }

  refresh() {
    const site = this.sites()[this.chosen];
    const n = this.model.get("decisions").length;
    this.about.textContent = site ? `Site ${site.name}: ${site.status}${site.why ? `; ${site.why}` : ""}.` : "";
    paragraphs(this.verdict, [...(this.model.get("outcome").lines ?? []), `${n} of ${this.sites().length} decided.`]);
    [...this.rows.children].forEach((row, at) => {
      row.toggleAttribute("aria-current", at === this.chosen);
      row.lastChild.textContent = ASKED[this.decided(this.sites()[at])?.verdict] ?? "";
    });
    this.stage.request();
  }

  choose(at) {
    const site = this.sites()[at];
    if (!site) return;
    this.chosen = at;
    const { x, y } = this.place(site);
    if (this.stage.photo) {
      if (this.stage.scale < CLOSE_UP) this.stage.zoom(CLOSE_UP / this.stage.scale, this.stage.toScreen(x, y));
      this.stage.moveCursor(x, y);
      this.stage.keepInView();
    }
    this.say(`Site ${site.name}${site.why ? `: ${site.why}` : ""}.`);
    this.refresh();
  }

  step(by) {
    this.choose((this.chosen + by + this.sites().length) % this.sites().length);
  }

  // Decide about the chosen site; after accepting or dropping, on to the next that is undecided.
  decide(verdict, at = this.stage.cursor) {
    const site = this.sites()[this.chosen];
    if (!site) return;
    const { x, y } = verdict === "move" ? at : { x: site.x_px, y: site.y_px };
    const others = this.model.get("decisions").filter((one) => one.site !== site.name);
    this.commit(verdict ? [...others, { site: site.name, verdict, x_px: x, y_px: y }] : others);
    this.say(verdict ? `Site ${site.name} ${ASKED[verdict]}.` : `Site ${site.name}: no decision.`);
    if (verdict === "accept" || verdict === "drop") this.onward();
    this.refresh();
  }

  onward() {
    const { length } = this.sites();
    for (let far = 1; far < length; far += 1) {
      const at = (this.chosen + far) % length;
      if (!this.decided(this.sites()[at])) {
        this.choose(at);
        return;
      }
    }
  }

  take(screen) {
    const places = this.sites().map((site) => this.place(site)).map(({ x, y }) => [x, y]);
    const at = this.stage.near(screen, places);
    if (at < 0) return false;
    this.chosen = at;
    this.refresh();
    return true;
  }

  pull(photo) {
    this.pulled = photo;
    this.stage.request();
  }

  release(photo, { isTaken, hasMoved }) {
    this.pulled = null;
    if (isTaken && hasMoved) this.decide("move", photo);
  }

  key(event) {
    return this.press(event, {
      n: () => this.step(1), p: () => this.step(-1), u: () => this.decide(null),
      a: () => this.decide("accept"), m: () => this.decide("move"), d: () => this.decide("drop"),
      Delete: () => this.decide("drop"), Enter: () => this.decide("accept"),
    });
  }

  // Found: a ring; not found: a dashed square. Dropped: crossed out; accepted: ticked; moved: a line from before.
  paint(context) {
    this.sites().forEach((site, at) => {
      const { x, y } = this.place(site);
      this.paintSite(context, site, this.stage.toScreen(x, y), at === this.chosen);
    });
  }

  paintSite(context, site, { x, y }, isChosen) {
    const verdict = this.pulled && isChosen ? "move" : this.decided(site)?.verdict;
    const size = isChosen ? 13 : 8;
    const isFound = site.status.includes("seen") || verdict === "move";
    if (verdict === "move") {
      const from = this.stage.toScreen(site.x_px, site.y_px);
      outlined(context, 1.6, () => (context.moveTo(from.x, from.y), context.lineTo(x, y)));
    }
    if (isFound) outlined(context, isChosen ? 2.6 : 1.4, () => context.arc(x, y, size, 0, 2 * Math.PI));
    else outlined(context, isChosen ? 2.6 : 1.2, () => context.rect(x - size, y - size, 2 * size, 2 * size), [3, 3]);
    if (verdict === "drop") {
      outlined(context, 2.2, () => {
        for (const up of [-1, 1]) (context.moveTo(x - 11, y + 11 * up), context.lineTo(x + 11, y - 11 * up));
      });
    }
    if (verdict === "accept") {
      const tick = [[-5, 0], [-1, 5], [6, -6]];
      outlined(context, 2, () => tick.forEach(([dx, dy]) => context.lineTo(x + dx, y + dy)));
    }
    if (isChosen) lettered(context, site.name, x + 17, y - 10);
  }
}

function render({ model, el }) {
  const view = new CentreReviewing(model, el);
  return () => view.drop();
}

export default { render };
