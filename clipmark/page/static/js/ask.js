// A question with a few answers, as a dialog; the promise gives the answer chosen.

import { button, el, freshId } from "./dom.js";

/**
 * @template T
 * @param {string} title
 * @param {string|Node} what
 * @param {{label: string, value: T, main?: boolean}[]} answers the last one is meant by Escape
 * @returns {Promise<T>}
 */
export function ask(title, what, answers) {
  return new Promise((resolve) => {
    const id = freshId("question");
    const before = document.activeElement;
    const choose = (value) => {
      dialog.close();
      dialog.remove();
      if (before instanceof HTMLElement && before.isConnected) before.focus();
      resolve(value);
    };
    const dialog = el(
      "dialog",
      {
        class: "panel panel-narrow question",
        "aria-labelledby": id,
        on: {
          cancel: (event) => {
            event.preventDefault();
            choose(answers[answers.length - 1].value);
          },
          keydown: (event) => event.stopPropagation(),
        },
      },
      el("h2", { id }, title),
      typeof what === "string" ? el("p", {}, what) : what,
      el(
        "div",
        { class: "question-answers" },
        answers.map(({ label, value, main }) =>
          button(label, () => choose(value), { class: main ? "main" : null, autofocus: main }),
        ),
      ),
    );
    document.body.append(dialog);
    dialog.showModal();
  });
}
