// Questions to the server, and what every part of the page uses.
const $ = (id) => document.getElementById(id);
const line = { lost: () => {} }; // what is done when the server does not answer

// This window's name: it stays through a reload, and a copy of the tab gets another.
const windowName = sessionStorage.getItem("window") ?? crypto.randomUUID().replaceAll("-", "");
sessionStorage.removeItem("window");
addEventListener("pagehide", () => sessionStorage.setItem("window", windowName));

class Told extends Error {}
class Gone extends Error {}

const headers = () => ({ authorization: `Bearer ${localStorage.getItem("key") ?? ""}` });
const ask = async (question, asked = {}, path = `/api/${question}`) => {
  let answer;
  try {
    answer = await fetch(path, { method: "POST", headers: { ...headers(), "content-type": "application/json" }, body: JSON.stringify({ window: windowName, ...asked }) });
  } catch { line.lost(); throw new Gone("the desk does not answer"); }
  const told = answer.headers.get("content-type")?.includes("json") ? await answer.json() : { error: await answer.text() };
  if (!answer.ok) throw new Told(told.error);
  return told;
};

const make = (name, attributes = {}, ...inside) => {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key === "press") element.addEventListener("click", value);
    else if (value !== false) element.setAttribute(key, value);
  }
  element.append(...inside);
  return element;
};
// Where a dialog hides the rest, it is said inside it.
const say = (text) => { (document.querySelector("dialog[open] .said") ?? $("state")).textContent = text; };
const show = (dialog) => {
  dialog.querySelector(".said").textContent = "";
  if (!dialog.open) dialog.showModal();
};
const trying = (doing) => async (...words) => {
  try { await doing(...words); } catch (error) {
    if (!(error instanceof Told || error instanceof Gone)) throw error;
    say(error.message);
  }
};
const bytes = (count) => (count < 1e6 ? `${Math.ceil(count / 1000)} kB` : `${(count / 1e6).toFixed(count < 1e7 ? 1 : 0)} MB`);
const lasting = (seconds) => (seconds < 90 ? `${Math.max(1, Math.round(seconds))} s` : `${Math.round(seconds / 60)} min`);

export { $, ask, bytes, Gone, headers, lasting, line, make, say, show, Told, trying, windowName };
