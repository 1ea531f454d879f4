// The numbers by which a take is heard, as Python has them: `page.py` writes them down.

/** @type {any} */
export const LIMITS = JSON.parse(document.getElementById("hearing")?.textContent ?? "{}");
