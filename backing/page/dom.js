// Elements of the page: finding, making, measuring.

/** @type {(id: string) => any} */
export const $ = (id) => document.getElementById(id);

const laidOut = (name) => getComputedStyle(document.querySelector("main") ?? document.body).getPropertyValue(name) !== "";
/** Whether there is room for what a desk shows; whether the player stands beside the music. */
export const roomy = () => laidOut("--roomy");
export const beside = () => laidOut("--beside");
export const calm = matchMedia("(prefers-reduced-motion: reduce)");

/** @returns {any} */
export const add = (parent, name, attributes = {}, words = /** @type {any} */ (undefined)) => {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (words !== undefined) element.textContent = words;
  parent.append(element);
  return element;
};

/** @type {(selector: string) => any[]} */
export const all = (selector) => [...document.querySelectorAll(selector)];

export const text = (id, value) => {
  if ($(id).textContent !== value) $(id).textContent = value;
};

/** @returns {DOMRect} */
export const rect = (element) => element.getBoundingClientRect();

/** Tell those who listen to the page rather than look at it. */
export const say = (words) => { $("status").textContent = words; };

export const complain = (words) => {
  $("problem").textContent = words;
  $("problem").hidden = !words;
};
