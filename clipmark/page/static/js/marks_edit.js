// Marks in hand: picked, dragged, nudged, removed. Every change is a step that can be undone.

import { addEditActions } from "./edit_actions.js";
import { frameBar } from "./frame_bar.js";
import { kindOf, labelOf, markedIds, moveMark, movePoint, pointsOf, removeMark } from "./mark_kinds.js";
import { MarksDrawing } from "./marks_draw.js";
import { whyNotMove } from "./may_mark.js";
import { Placing } from "./placing.js";

const REACH_PX = { mouse: 12, pen: 16, touch: 26 }; // CSS px around a point that hold it
const LINE_REACH_PX = { mouse: 7, pen: 9, touch: 14 };
const NUDGES_MS = 700; // nudges that follow each other so fast are one step to undo

class MarksEdit {
  /** @param {any} ctx */
  constructor(ctx) {
    this.ctx = ctx;
    this.drawing = new MarksDrawing(ctx);
    this.placing = new Placing(ctx, this.drawing);
    ctx.view.pointers.take((press) => this.press(press));
    ctx.view.tapped = () => this.letGo();
    ctx.view.about = () => this.about;
    ctx.store.subscribe(() => this.checkHand(), ["marks", "loaded"]);
  }

  /** Ids and points of everything that can be in hand, in order. */
  get all() {
    const { marks } = this.ctx.store.draft;
    return markedIds(marks).flatMap((mark) =>
      pointsOf(marks, mark).map((_, point) => ({ mark, point })),
    );
  }

  /** Picture position of what is in hand: a point, or the crosshair; null without. */
  get about() {
    return this.handPoint ?? this.placing.cross;
  }

  get handPoint() {
    const { hand } = this.ctx.store.ui;
    return hand ? (pointsOf(this.ctx.store.draft.marks, hand.mark)[hand.point] ?? null) : null;
  }

  /** A mark that was undone or removed is not in hand any more. */
  checkHand() {
    if (this.ctx.store.ui.hand && !this.handPoint) this.ctx.store.setUi({ hand: null });
  }

  /** Take a point in hand. */
  take(mark, point) {
    this.ctx.store.setUi({ tool: null, hand: { mark, point } });
    this.focusHand();
  }

  focusHand() {
    const { hand } = this.ctx.store.ui;
    const handle = hand && this.drawing.nodes.get(hand.mark)?.handles[hand.point];
    handle?.focus({ preventScroll: true });
  }

  /** Pick a kind: hold it when it is marked, mark it anew when it is held already. */
  pick(name) {
    const { store, view } = this.ctx;
    const { tool, hand } = store.ui;
    const marked = markedIds(store.draft.marks).filter((id) => kindOf(id).name === name);
    if (tool === name) {
      store.setUi({ tool: null });
    } else if (marked.length && !marked.includes(hand?.mark)) {
      this.take(marked[0], 0);
    } else {
      store.setUi({ tool: name, hand: null });
      view.focus();
    }
  }

  remove(id) {
    const { store, view } = this.ctx;
    view.pointers.drop(); // what is dragged meanwhile would bring it back
    if (!pointsOf(store.draft.marks, id).length) return;
    store.change(`remove the ${labelOf(id)}`, ({ marks }) => removeMark(marks, id));
    store.setUi({ hand: null });
    view.focus();
  }

  /** Next point in hand, or the one before. */
  handOn(by) {
    const { all } = this;
    if (all.length === 0) return;
    const { hand } = this.ctx.store.ui;
    const at = all.findIndex(({ mark, point }) => mark === hand?.mark && point === hand?.point);
    const next = at < 0 ? (by > 0 ? 0 : all.length - 1) : (at + by + all.length) % all.length;
    this.take(all[next].mark, all[next].point);
    this.ctx.view.reveal(this.handPoint);
  }

  letGo() {
    const { store } = this.ctx;
    if (!store.ui.hand && !store.ui.tool) return false;
    store.setUi({ hand: null, tool: null });
    return true;
  }

  /** Put the point in hand at a place; `going` while more of the same is to come. */
  moveHand(place, going = true) {
    const { store, view } = this.ctx;
    const { hand } = store.ui;
    if (!hand || !this.allowed(hand.mark)) return;
    store.changing(`move the ${labelOf(hand.mark)}`, ({ marks }) =>
      movePoint(marks, hand.mark, hand.point, view.inside(place), view.port.picture.aspect),
    );
    clearTimeout(this.nudging);
    if (going) this.nudging = setTimeout(() => store.settle(), NUDGES_MS);
    else store.settle();
  }

  /** @param {number} dx picture px @param {number} dy */
  nudge(dx, dy) {
    const at = this.handPoint;
    if (!at) return;
    this.moveHand({ x: at.x + dx, y: at.y + dy });
    this.ctx.view.reveal(this.handPoint);
  }

  allowed(id) {
    const why = whyNotMove(this.ctx, id);
    if (why) this.ctx.notices.say(why);
    return why === null;
  }

  /** Who gets a press on the stage: the tool, the nearest point, a line; else nobody. */
  press(press) {
    if (this.placing.name) return this.placing.press(press);
    if (this.ctx.clock.playing) return null;
    const near = this.nearest(press);
    if (near) return this.dragGrip(press, near);
    const line = this.lineUnder(press);
    return line ? this.dragGrip(press, line) : null;
  }

  nearest({ x, y, type }) {
    const { scale } = this.ctx.view;
    const { hand } = this.ctx.store.ui;
    const { marks } = this.ctx.store.draft;
    let best = null;
    let least = REACH_PX[type] ?? REACH_PX.mouse;
    for (const one of this.all) {
      const at = pointsOf(marks, one.mark)[one.point];
      const apart = Math.hypot((at.x - x) * scale.x, (at.y - y) * scale.y);
      const held = one.mark === hand?.mark && one.point === hand?.point;
      if (apart < least + (held ? 1 : 0)) {
        best = one;
        least = apart;
      }
    }
    return best;
  }

  /** A mark whose drawn line is under the press: moved as a whole. */
  lineUnder({ clientX, clientY, type }) {
    const reach = LINE_REACH_PX[type] ?? LINE_REACH_PX.mouse;
    for (const around of [0, reach / 2, reach]) {
      for (let step = 0; step < (around ? 8 : 1); step += 1) {
        const turn = (step * Math.PI) / 4;
        const hit = document
          .elementsFromPoint(clientX + around * Math.cos(turn), clientY + around * Math.sin(turn))
          .find((node) => node.classList.contains("mark-line"));
        const mark = hit?.closest(".mark:not(.placing)")?.dataset.mark;
        if (mark) return { mark, point: null };
      }
    }
    return null;
  }

  dragGrip(press, { mark, point }) {
    const { store, view } = this.ctx;
    const held = store.ui.hand?.mark === mark ? store.ui.hand.point : 0;
    this.take(mark, point ?? held);
    if (whyNotMove(this.ctx, mark)) return this.refusedGrip(mark);
    const before = structuredClone(store.draft.marks);
    const change = (fn) => store.changing(`move the ${labelOf(mark)}`, fn);
    return {
      move: (now, moved) => {
        if (!moved) return;
        clearTimeout(this.nudging);
        view.stage.dataset.dragging = "yes";
        // by how far the hand went on the screen, should the page around the frame move meanwhile
        const by = {
          x: (now.clientX - press.clientX) / view.scale.x,
          y: (now.clientY - press.clientY) / view.scale.y,
        };
        change((draft) => {
          draft.marks = structuredClone(before);
          if (point === null) this.shift(draft.marks, mark, by);
          else this.shiftPoint(draft.marks, mark, point, by);
        });
      },
      up: () => {
        delete view.stage.dataset.dragging;
        store.settle();
        this.focusHand();
      },
      cancel: () => {
        delete view.stage.dataset.dragging;
        change((draft) => {
          draft.marks = before;
        });
        store.settle();
      },
    };
  }

  refusedGrip(mark) {
    let said = false;
    return {
      move: (_, moved) => {
        if (moved && !said) said = !this.allowed(mark);
      },
      up: () => {},
      cancel: () => {},
    };
  }

  shiftPoint(marks, mark, point, by) {
    const at = pointsOf(marks, mark)[point];
    const { view } = this.ctx;
    const place = view.inside({ x: at.x + by.x, y: at.y + by.y });
    movePoint(marks, mark, point, place, view.port.picture.aspect);
  }

  /** As far as all of it stays in the picture. */
  shift(marks, mark, by) {
    const points = pointsOf(marks, mark);
    const { width, height } = this.ctx.view.port.picture;
    const bounded = (delta, values, size) =>
      Math.max(-0.5 - Math.min(...values), Math.min(size - 0.5 - Math.max(...values), delta));
    const dx = bounded(by.x, points.map(({ x }) => x), width);
    const dy = bounded(by.y, points.map(({ y }) => y), height);
    moveMark(marks, mark, dx, dy);
  }
}

/** @param {HTMLElement} root the region `#stage` @param {any} ctx */
export function mount(root, ctx) {
  ctx.edit = new MarksEdit(ctx);
  addEditActions(ctx);
  root.append(frameBar(ctx));
}
