// The page. In: what is pressed, written and opened. Out: the screens, one after the other. Knows all other files.

const LOCK_AFTER = 300_000; // ms out of sight, until the passphrase is asked for again
const ASK_CLOCK = 60_000; // ms between two looks at the server's clock

/** @type {{ cards: Keycard[], opener: Opener | null, pending: Keycard | null, fromAddress: boolean, left: number }} */
const state = { cards: [], opener: null, pending: null, fromAddress: false, left: 0 };

/** The screen one comes back to. @param {boolean} [focus] */
function home(focus = true) {
  state.pending = null;
  for (const form of ["unlock", "take", "store"]) clean(form);
  tell(one("#keep-what"), "");
  show(state.opener ? "doors" : hasKeycards() ? "locked" : "start", focus);
}

/** @param {string} key @param {About} [about] */
function announce(key, about) {
  tell(one("#news"), key, about);
}

function lock() {
  state.cards = [];
  state.opener = null;
  showCards([], remove);
  announce("");
  home();
}

/** @param {Opener} opener @param {Keycard[]} cards */
function enter(opener, cards) {
  state.opener = opener;
  state.cards = cards;
  showCards(cards, remove);
  home();
  lookAtClock();
}

/** @param {Keycard} card */
async function remove(card) {
  const about = () => ({ door: card.door, host: card.host });
  const opener = state.opener;
  if (!(await sure("sure_remove", "yes_remove", about)) || !opener) return;
  if (!stillOpens(opener)) {
    lock();
    return;
  }
  const cards = ((await keptKeycards(opener)) ?? state.cards).filter((other) => !sameDoor(other, card));
  if (!cards.length) {
    forgetKeycards();
    lock();
    return;
  }
  let news = "";
  try {
    await keepKeycards(opener, cards);
  } catch (error) {
    forgetKeycards(); // what was kept holds the keycard that is to go
    news = spoken(error).key;
  }
  enter(opener, cards);
  announce(news);
}

/** Put the pending keycard with the others, and write them. @param {Opener} opener @param {Keycard[]} cards */
async function keep(opener, cards) {
  const card = state.pending;
  if (!card) return;
  const all = [...cards.filter((other) => !sameDoor(other, card)), card];
  let news = state.fromAddress ? "kept_from_address" : "kept";
  try {
    await keepKeycards(opener, all);
  } catch (error) {
    news = spoken(error).key;
  }
  enter(opener, all);
  announce(news, () => ({ door: card.door, host: card.host }));
}

/** Look at a keycard's text; then ask for the passphrase, if it is not known. @param {string} text
 * @param {boolean} fromAddress */
async function take(text, fromAddress) {
  const card = readKeycard(text);
  checkForBrowser(card);
  state.pending = card;
  state.fromAddress = fromAddress;
  announce("");
  if (state.opener && stillOpens(state.opener)) {
    await keep(state.opener, (await keptKeycards(state.opener)) ?? state.cards);
    return;
  }
  const old = hasKeycards();
  const about = () => ({ door: card.door, host: card.host, keyholder: card.keyholder });
  tell(one("#keep-what"), card.keyholder ? "keep_whose" : "keep_opens", about);
  tell(one("#keep-how"), old ? "keep_old" : "keep_new");
  one("#keep-twice").hidden = old;
  one("#keep-hint").hidden = old;
  field("keep-phrase").setAttribute("autocomplete", old ? "current-password" : "new-password");
  show("keep");
}

/** A keycard in the address is taken from there, and out of it. */
async function takeFragment() {
  const fragment = location.hash;
  if (fragment.length < 2) return;
  history.replaceState(null, "", location.href.replace(/#.*/s, ""));
  try {
    await take(fragment, true);
  } catch (error) {
    show("add");
    complain(one("#take-wrong"), field("paste"), error);
  }
}

async function storeKeycard() {
  const [phrase, again] = [field("keep-phrase"), field("keep-again")];
  try {
    if (hasKeycards()) {
      const { opener, cards } = await openKeycards(phrase.value);
      await keep(opener, cards);
      return;
    }
    if ([...phrase.value].length < SHORTEST_PASSPHRASE) throw new Refusal("too_short");
    if (phrase.value !== again.value) throw new Refusal("unequal");
    await keep(await newOpener(phrase.value), []);
  } catch (error) {
    const second = error instanceof Refusal && error.reason === "unequal";
    complain(one("#keep-wrong"), second ? again : phrase, error);
  }
}

async function unlock() {
  try {
    const { opener, cards } = await openKeycards(field("unlock-phrase").value);
    enter(opener, cards);
  } catch (error) {
    complain(one("#unlock-wrong"), field("unlock-phrase"), error);
  }
}

async function takeWritten() {
  const file = field("file").files?.[0];
  try {
    const text = field("paste").value.trim();
    await take(text || !file ? text : await textOf(file), text.includes("#"));
    clean("take");
  } catch (error) {
    complain(one("#take-wrong"), file ? field("file") : field("paste"), error);
  }
}

/** @param {File} file */
async function textOf(file) {
  if (file.size > LONGEST_KEYCARD) throw new Refusal("not_a_keycard");
  try {
    return await file.text();
  } catch {
    throw new Refusal("unreadable");
  }
}

async function forgetAll() {
  if (!(await sure("sure_forget", "yes_forget"))) return;
  forgetKeycards();
  lock();
}

/** How far the device's clock is off, and what to say of it. */
async function lookAtClock() {
  const ahead = await clockAhead();
  const off = ahead === null ? 0 : Math.abs(ahead);
  const about = () => ({ off: saySpan(off) });
  const wrong = off > BEARABLE && !correction;
  if (ahead === null) tell(one("#clock-says"), hasServer() ? "clock_unknown" : "clock_by_hand");
  else if (correction) tell(one("#clock-says"), "clock_corrected", about);
  else if (wrong) tell(one("#clock-says"), ahead > 0 ? "clock_ahead" : "clock_behind", about);
  else tell(one("#clock-says"), off > GOOD ? "clock_bit" : "clock_good", about);
  const clock = one("#clock");
  clock.classList.toggle("wrong", wrong);
  one("#use-server").hidden = !wrong;
  if (wrong) one("#cards").before(clock);
  else one("#doors").append(clock);
  one("#use-server").onclick = () => {
    correction = -(ahead ?? 0);
    one("#doors-head").focus();
    lookAtClock();
  };
}

/** What changes by itself. */
function tick() {
  const left = secondsLeft();
  one("#seconds").textContent = String(Math.ceil(left));
  document.querySelector("#countdown")?.setAttribute("stroke-dashoffset", String(STEP - left));
  const moment = new Date(Date.now());
  const utc = moment.toISOString().slice(11, 19);
  tell(one("#clock-reads"), "clock_reads", () => ({ local: moment.toLocaleTimeString(language), utc }));
}

function speakAll() {
  document.documentElement.lang = language;
  document.title = say("title");
  const other = one("#language");
  other.textContent = say("other_language");
  other.lang = language === "de" ? "en" : "de";
  tell(one("#keep-hint"), "passphrase_hint", () => ({ least: SHORTEST_PASSPHRASE }));
  tell(one("#about-keep"), "about_keep", () => ({ count: ITERATIONS.toLocaleString(language) }));
  retell();
}

function online() {
  if (navigator.onLine) tell(one("#trouble"), "");
  else tell(one("#trouble"), "no_network");
}

function wire() {
  onSubmit("unlock", unlock);
  onSubmit("take", takeWritten);
  onSubmit("store", storeKeycard);
  one("#lock").addEventListener("click", lock);
  one("#forget").addEventListener("click", forgetAll);
  one("#language").addEventListener("click", () => {
    speak(language === "de" ? "en" : "de");
    speakAll();
  });
  for (const button of document.querySelectorAll("[data-go]")) {
    const where = button.getAttribute("data-go");
    button.addEventListener("click", () => (where ? show(where) : home()));
  }
  for (const box of document.querySelectorAll("[data-shows]")) {
    const inputs = (box.getAttribute("data-shows") ?? "").split(" ").map(field);
    box.addEventListener("change", () => {
      for (const input of inputs) input.type = /** @type {HTMLInputElement} */ (box).checked ? "text" : "password";
    });
  }
  field("file").addEventListener("change", () => {
    field("paste").value = "";
    takeWritten();
  });
  addEventListener("hashchange", takeFragment);
  addEventListener("online", online);
  addEventListener("offline", online);
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) state.left = Date.now();
    else if (state.opener && Date.now() - state.left > LOCK_AFTER) lock();
  });
}

function begin() {
  speakAll();
  if (!globalThis.crypto?.subtle) {
    tell(one("#trouble"), "insecure");
    return;
  }
  wire();
  online();
  tick();
  setInterval(tick, 250);
  setInterval(() => state.opener && !document.hidden && lookAtClock(), ASK_CLOCK);
  home(false);
  takeFragment();
}

begin();
