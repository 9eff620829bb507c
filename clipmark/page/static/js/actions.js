// Everything that can be done on the page, by name: one list for keys, buttons and the help.

/**
 * @typedef {object} Action
 * @property {string} name unique, such as "step-next"
 * @property {string} label what people read
 * @property {string} group heading in the help
 * @property {string|string[]} [key] key or keys it has at first, as `keyOf` writes them
 * @property {() => void} run
 * @property {() => boolean} [when] whether its key means this now
 * @property {boolean} [repeats] goes on while its key is held down
 */

export class Actions {
  constructor() {
    /** @type {Map<string, Action>} */
    this.byName = new Map();
  }

  /** @param {Action} action */
  add(action) {
    if (this.byName.has(action.name)) throw new Error(`two actions are named ${action.name}`);
    const keys = action.key === undefined ? [] : [action.key].flat();
    this.byName.set(action.name, { ...action, keys });
  }

  run(name) {
    const action = this.byName.get(name);
    if (!action) throw new Error(`no action is named ${name}`);
    if (!action.when || action.when()) action.run();
  }

  /** @returns {(Action & {keys: string[]})[]} in the order added */
  list() {
    return [...this.byName.values()];
  }
}
