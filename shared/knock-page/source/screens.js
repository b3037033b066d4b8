// The screens of page.html. In: which one, and what to say where. Out: the one shown, its words in the language
// spoken, the focus on its heading. Texts are set as text only: nothing from a keycard becomes markup.

/** The element that must be there. @param {string} selector @param {ParentNode} [root] @returns {HTMLElement} */
function one(selector, root = document) {
  const found = root.querySelector(selector);
  if (!(found instanceof HTMLElement)) throw new Error(`no ${selector}`);
  return found;
}

/** @param {string} id */
function field(id) {
  return /** @type {HTMLInputElement} */ (one(`#${id}`));
}

/** @typedef {() => Record<string, string | number>} About what fills a sentence, asked for again in each language */

/** @type {WeakMap<Element, { key: string, about: About }>} */
const told = new WeakMap();

/** Show a sentence in the element, in whichever language is spoken then. Without a key: none, and hide it.
 * @param {Element} element @param {string} key @param {About} [about] */
function tell(element, key, about = () => ({})) {
  if (element instanceof HTMLElement) element.hidden = !key;
  if (key) {
    told.set(element, { key, about });
    element.setAttribute("data-told", "");
    element.textContent = say(key, about());
  } else {
    told.delete(element);
    element.textContent = "";
  }
}

/** Say everything anew, in the language spoken now. @param {ParentNode} [root] */
function retell(root = document) {
  for (const element of root.querySelectorAll("[data-say]")) {
    element.textContent = say(element.getAttribute("data-say") ?? "");
  }
  for (const element of root.querySelectorAll("[data-told]")) {
    const what = told.get(element);
    if (what) element.textContent = say(what.key, what.about());
  }
  for (const element of root.querySelectorAll("[data-label]")) {
    element.setAttribute("aria-label", say(element.getAttribute("data-label") ?? "", told.get(element)?.about()));
  }
}

/** What to say of an error. @param {unknown} error @returns {{ key: string, about: About }} */
function spoken(error) {
  if (!(error instanceof Refusal)) return { key: "unexpected", about: () => ({ error: String(error) }) };
  const { reason, about } = error;
  return {
    key: reason,
    about: () => ({ ...about, least: LEAST_YEARS, part: "part" in about ? say(`part_${about.part}`) : "" }),
  };
}

/** Say of a form's field what is wrong with it, and go there. @param {HTMLElement} place @param {HTMLElement} input
 * @param {unknown} error */
function complain(place, input, error) {
  const { key, about } = spoken(error);
  tell(place, key, about);
  input.setAttribute("aria-invalid", "true");
  input.focus();
}

/** Forget the complaints and what was written. @param {string} form its id */
function clean(form) {
  const element = /** @type {HTMLFormElement} */ (one(`#${form}`));
  element.reset();
  for (const input of element.querySelectorAll("input, textarea")) input.removeAttribute("aria-invalid");
  for (const place of element.querySelectorAll("[role=alert]")) tell(place, "");
  for (const input of element.querySelectorAll("[autocomplete$=password]")) input.setAttribute("type", "password");
}

/** Show this screen and no other. @param {string} id @param {boolean} [focus] whether to go to its heading */
function show(id, focus = true) {
  for (const screen of document.querySelectorAll(".screen")) {
    if (screen instanceof HTMLElement) screen.hidden = screen.id !== id;
  }
  if (focus) {
    one(`#${id} h1`).focus({ preventScroll: true });
    scrollTo(0, 0);
  }
}

/** Whether a question was asked and what became of it is not known yet. */
let asking = false;

/** The last question was answered: a dialog's `close` comes a moment after it has closed. Not for one that is open. */
async function answered() {
  while (asking && !(/** @type {HTMLDialogElement} */ (one("#sure")).open)) {
    await new Promise((done) => setTimeout(done, 0));
  }
}

/** Ask yes or no; Escape is no. @param {string} question @param {string} yes @param {About} [about]
 * @returns {Promise<boolean>} */
function sure(question, yes, about) {
  const dialog = /** @type {HTMLDialogElement} */ (one("#sure"));
  if (dialog.open || asking) return Promise.resolve(false); // one question at a time: no other may be put in its place
  tell(one("#sure-what"), question, about);
  tell(one("#sure-yes"), yes);
  dialog.returnValue = "no";
  asking = true;
  dialog.showModal();
  return new Promise((done) => {
    const close = () => {
      asking = false;
      tell(one("#sure-what"), "");
      done(dialog.returnValue === "yes");
    };
    dialog.addEventListener("close", close, { once: true });
  });
}

/** Run what a form does, once at a time. @param {string} form its id @param {() => Promise<void> | void} action */
function onSubmit(form, action) {
  let busy = false;
  one(`#${form}`).addEventListener("submit", async (event) => {
    event.preventDefault();
    if (busy) return;
    busy = true;
    const button = one(`#${form} button.main`);
    button.setAttribute("aria-disabled", "true");
    try {
      await action();
    } finally {
      busy = false;
      button.removeAttribute("aria-disabled");
    }
  });
}
