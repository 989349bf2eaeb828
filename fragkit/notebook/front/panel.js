// Shared by the widgets: what speaks with the kernel and with the person, and takes the keys that all have.

class Panel {
  // `trait` holds what the person decides; it goes along when saving, as messages overtake changes of the model.
  constructor(model, trait) {
    this.model = model;
    this.trait = trait;
    this.live = make("p", { class: "fk-live", role: "status", "aria-live": "polite" });
  }

  follow(handlers) {
    this.handlers = { "msg:custom": (message) => message.say && this.say(message.say), ...handlers };
    for (const [name, handler] of Object.entries(this.handlers)) this.model.on(name, handler);
  }

  drop() {
    this.stage?.drop();
    for (const [name, handler] of Object.entries(this.handlers)) this.model.off(name, handler);
  }

  say(text) {
    this.live.textContent = text;
  }

  ask(ask, more = {}) {
    this.model.send({ ask, ...more });
  }

  save() {
    this.ask("save", { [this.trait]: this.model.get(this.trait) });
  }

  undo(by) {
    this.ask("undo", { by });
  }

  commit(value) {
    this.model.set(this.trait, value);
    this.model.save_changes();
  }

  // Undo, redo and save, then the keys of `actions`; whether the key was one of them.
  press(event, actions) {
    const back = undoKey(event);
    if (back) this.undo(back);
    else if (isSaveKey(event)) this.save();
    else if (event.ctrlKey || event.metaKey || event.altKey || !(event.key in actions)) return false;
    else actions[event.key]();
    return true;
  }

  common() {
    return [
      button("Undo", () => this.undo(-1), "Ctrl+Z"),
      button("Redo", () => this.undo(1), "Ctrl+Shift+Z"),
      button("Save", () => this.save(), "Ctrl+S; writes into the study folder"),
    ];
  }
}

function paragraphs(element, lines) {
  element.replaceChildren(...(lines ?? []).map((line) => make("p", {}, line)));
}
