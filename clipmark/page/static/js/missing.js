/**
 * The row of what is still missing: each item says what, and pressing it goes where it is put in.
 */

import { button, el, put } from "./dom.js";
import { frameOf, markedIds } from "./mark_kinds.js";
import { isCalledOnly, missingItems, openItems } from "./missing_rules.js";
import { focusField } from "./slip.js";

/**
 * Fill the region.
 *
 * @param {HTMLElement} root
 * @param {any} ctx
 */
export function mount(root, ctx) {
  const { store, actions } = ctx;
  const heading = el("span", { class: "missing-heading", role: "status" });
  const list = el("ul", { role: "list", class: "missing-list", "aria-label": "Still missing" });
  put(root, heading, list);
  let drawn = "";

  actions.add({
    name: "called-only",
    label: "Called only: this attempt has no clip",
    group: "Attempt",
    run: () => store.setUi({ calledOnly: true }),
  });
  store.subscribe(() => {
    if (store.ui.calledOnly) {
      store.ui.calledOnly = false; // it was said of another attempt
    }
  }, ["loaded"]);

  function update() {
    const items = missingItems(store.draft, store.event, store.ui, store.clip?.facts?.frame_count);
    const open = openItems(items);
    const text = headingOf(open, items, store);
    if (heading.textContent !== text) {
      heading.textContent = text;
    }
    heading.dataset.ready = open.length ? "no" : "yes";
    const signature = items.map((item) => `${item.id}:${item.optional}`).join();
    if (signature === drawn) {
      return;
    }
    drawn = signature;
    const held = list.contains(document.activeElement);
    put(list, items.map((item) => el("li", {}, itemButton(item, ctx))));
    if (held) {
      // The item was dealt with from its own button: keep the keyboard in the row.
      (list.querySelector("button") ?? document.querySelector("#stage"))?.focus({ preventScroll: true });
    }
  }

  store.subscribe(update, ["details", "marks", "loaded", "saved", "event", "ui", "draft", "clip", "readings"]);
  update();
}

function headingOf(open, items, store) {
  if (open.length) {
    return "Still missing";
  }
  const lead = isCalledOnly(store.draft, store.ui) ? "Ready to sign, called only" : "Ready to sign";
  return items.length ? `${lead}; may be added:` : lead;
}

function itemButton(item, ctx) {
  const label = item.optional && !item.label.startsWith("or ") ? `${item.label} (optional)` : item.label;
  return button(label, () => go(item.way, ctx), {
    class: item.optional ? "missing-item missing-optional" : "missing-item",
    title: item.hint,
    data: { missing: item.id },
  });
}

/** Go where a missing thing is put in. */
function go(way, ctx) {
  const { panels, actions } = ctx;
  if (way.field) {
    focusField(way.field);
  } else if (way.term) {
    ctx.runPanel.focusTerm(way.term);
  } else if (way.panel) {
    panels.open(way.panel);
  } else if (way.action) {
    actions.run(way.action);
  } else if (way.mark) {
    goMark(way.mark, ctx);
  }
}

/** Pick a mark where the others are. */
export function goMark(name, { store, clock, view }) {
  const { marks } = store.draft;
  const frame = frameOf(marks, name); // that of the marks there are
  if (frame !== null && markedIds(marks).length > 0) {
    clock.goto(frame);
  }
  store.setUi({ tool: name, hand: null });
  view.focus();
}
