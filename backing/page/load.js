// Scripts that come when they are asked for: from beside the page, or out of it. From disk a page may
// load nothing else from beside itself.

const { trustedTypes } = /** @type {any} */ (window);
const policy = trustedTypes?.createPolicy("practice page", { createScriptURL: (address) => address });

/** Run the script at an address. */
export const load = (address) => new Promise((done, fail) => {
  const script = document.createElement("script");
  script.onload = done;
  script.onerror = fail;
  script.src = policy?.createScriptURL(address) ?? address;
  document.head.append(script);
  script.remove();
});
