// Building nodes without markup strings, so that nothing an operator types can become code.

const SVG = "http://www.w3.org/2000/svg";

/**
 * An HTML element. Properties: `class`, `data` (object), `on` (object of listeners) or `onclick` and the like, ARIA and other
 * attributes by their names; true sets an empty attribute, null and false leave it out.
 * @param {string} tag
 * @param {Record<string, any>} [props]
 * @param {...(Node|string|number|null|undefined|false)} children
 * @returns {HTMLElement}
 */
export function el(tag, props = {}, ...children) {
  return fill(document.createElement(tag), props, children);
}

/**
 * An SVG element; properties as for `el`.
 * @param {string} tag
 * @param {Record<string, any>} [props]
 * @param {...(Node|string|number|null|undefined|false)} children
 * @returns {SVGElement}
 */
export function svg(tag, props = {}, ...children) {
  return fill(document.createElementNS(SVG, tag), props, children);
}

/** Replace everything inside a node. */
export function put(node, ...children) {
  node.replaceChildren(...children.flat().filter(shown).map(asNode));
  return node;
}

/** A button that does one thing. */
export function button(label, run, props = {}) {
  return el("button", { type: "button", ...props, on: { click: run, ...(props.on ?? {}) } }, label);
}

/** Another screen, or the browser's own zoom: device px per CSS px changed. @param {() => void} run */
export function whenRatioChanges(run) {
  const query = matchMedia(`(resolution: ${devicePixelRatio}dppx)`);
  query.addEventListener("change", () => {
    run();
    whenRatioChanges(run);
  }, { once: true });
}

/** An id that no other node has, for labels and descriptions. */
export function freshId(stem) {
  counter += 1;
  return `${stem}-${counter}`;
}

let counter = 0;

function shown(child) {
  return child !== null && child !== undefined && child !== false;
}

function asNode(child) {
  return child instanceof Node ? child : document.createTextNode(String(child));
}

function fill(node, props, children) {
  for (const [name, value] of Object.entries(props)) {
    if (value === null || value === undefined || value === false) continue;
    if (name === "on") {
      for (const [kind, run] of Object.entries(value)) node.addEventListener(kind, run);
    } else if (name.startsWith("on") && typeof value === "function") {
      node.addEventListener(name.slice(2), value);
    } else if (name === "data") {
      Object.assign(node.dataset, value);
    } else if (name === "value" && "value" in node) {
      node.value = value;
    } else if (name === "checked" || name === "selected" || name === "disabled") {
      node[name] = Boolean(value);
    } else {
      node.setAttribute(name, value === true ? "" : String(value));
    }
  }
  node.append(...children.flat().filter(shown).map(asNode));
  return node;
}
