// The page. In: what is pressed, written and opened. Out: the screens, one after the other. Knows all other files.

const LOCK_AFTER = 300_000; // ms out of sight, until the passphrase is asked for again
const ASK_CLOCK = 60_000; // ms between two looks at the server's clock

/** @type {{ cards: Keycard[], opener: Opener | null, pending: Keycard | null, fromAddress: boolean, left: number }} */
const state = { cards: [], opener: null, pending: null, fromAddress: false, left: 0 };

/** Lock, because what another tab did to the kept keycards leaves this one without. @param {string} news */
function lockFor(news) {
  lock();
  announce(news);
}

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
  const about = () => aboutCard(card);
  const opener = state.opener;
  if (!(await sure("sure_remove", "yes_remove", about)) || !opener) return;
  let [cards, news] = [state.cards, "removed"];
  try {
    if (wasForgotten(opener)) return lockFor("forgotten");
    if (!stillOpens(opener)) return lock();
    cards = (await keptKeycards(opener)) ?? cards;
  } catch {
    news = "removed_damaged"; // what is kept cannot be read: the keycards of this page take its place
  }
  cards = cards.filter((other) => !sameDoor(other, card));
  if (!cards.length) {
    forgetKeycards();
    lockFor(news);
    return;
  }
  try {
    await keepKeycards(opener, cards);
  } catch (error) {
    if (wasForgotten(opener)) return lockFor("forgotten");
    forgetKeycards(); // what was kept holds the keycard that is to go
    opener.kept = false;
    news = spoken(error).key;
  }
  enter(opener, cards);
  announce(news, about);
}

/** Ask before a keycard takes the place of another one for the same door. @param {Keycard} card @param {Keycard} old
 * @returns {Promise<boolean>} */
async function mayReplace(card, old) {
  const parts = differences(old, card);
  if (!parts.length) return true;
  const list = one("#sure-parts");
  const lines = parts.map((part) => {
    const line = document.createElement("li");
    const [before, after] = /** @type {Record<string, unknown>[]} */ (/** @type {unknown} */ ([old, card]));
    const words = (/** @type {unknown} */ value) => String(value ?? "") || "–";
    const about = () => ({ part: say(`part_${part}`), before: words(before?.[part]), after: words(after?.[part]) });
    tell(line, part === "secret" ? "changes_secret" : "changes_part", about);
    return line;
  });
  if (/** @type {HTMLDialogElement} */ (one("#sure")).open) return false;
  list.replaceChildren(...lines);
  list.hidden = false;
  const yes = await sure("sure_replace", "yes_replace", () => aboutCard(card));
  list.hidden = true;
  list.replaceChildren();
  return yes;
}

/** Put the pending keycard with the others, and write them. @param {Opener} opener @param {Keycard[]} cards */
async function keep(opener, cards) {
  const card = state.pending;
  if (!card) return;
  let news = state.fromAddress ? "kept_from_address" : "kept";
  for (const old of cards.filter((other) => sameDoor(other, card))) {
    if (await mayReplace(card, old)) continue;
    enter(opener, cards);
    announce("not_replaced", () => aboutCard(card));
    return;
  }
  const all = [...cards.filter((other) => !sameDoor(other, card)), card];
  try {
    await keepKeycards(opener, all);
  } catch (error) {
    if (wasForgotten(opener)) return lockFor("forgotten");
    news = spoken(error).key;
  }
  enter(opener, all);
  announce(news, () => aboutCard(card));
}

/** Look at a keycard's text; then ask for the passphrase, if it is not known. @param {string} text
 * @param {boolean} fromAddress */
async function take(text, fromAddress) {
  const card = readKeycard(text);
  checkForBrowser(card);
  await answered();
  if (/** @type {HTMLDialogElement} */ (one("#sure")).open) return; // a question is being answered
  state.pending = card;
  state.fromAddress = fromAddress;
  announce("");
  if (state.opener && wasForgotten(state.opener)) return lockFor("forgotten");
  if (state.opener && stillOpens(state.opener)) {
    await keep(state.opener, (await keptKeycards(state.opener)) ?? state.cards);
    return;
  }
  const old = hasKeycards();
  const about = () => aboutCard(card);
  tell(one("#keep-what"), card.keyholder ? "keep_whose" : "keep_opens", about);
  tell(one("#keep-how"), old ? "keep_old" : "keep_new");
  one("#keep-twice").hidden = old;
  one("#keep-hint").hidden = old;
  one("#keep-strength").hidden = true;
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
    if (strengthOf(phrase.value) < LEAST_BITS) throw new Refusal("too_weak");
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
  lockFor("all_forgotten");
}

/** Show how hard the passphrase that is being chosen is to guess. */
function showStrength() {
  const phrase = field("keep-phrase").value;
  one("#keep-strength").hidden = !phrase || one("#keep-twice").hidden;
  const bits = strengthOf(phrase);
  const meter = /** @type {HTMLMeterElement} */ (one("#strength-meter"));
  [meter.low, meter.high, meter.optimum] = [LEAST_BITS, LEAST_BITS, 80];
  meter.value = Math.min(bits, 80);
  const about = () => ({ span: saySpan(guessedIn(bits)), least: LEAST_YEARS });
  tell(one("#strength-says"), bits < LEAST_BITS ? "strength_weak" : "strength_good", about);
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
  tell(one("#keep-hint"), "passphrase_hint");
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
  field("keep-phrase").addEventListener("input", showStrength);
  addEventListener("hashchange", takeFragment);
  addEventListener("storage", () => {
    if (state.opener && wasForgotten(state.opener)) lockFor("forgotten");
  });
  addEventListener("online", online);
  addEventListener("offline", online);
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) state.left = Date.now();
    else if (state.opener && Date.now() - state.left > LOCK_AFTER) lock();
  });
}

async function begin() {
  await settled();
  language = firstLanguage();
  speakAll();
  if (window.top !== window.self) {
    tell(one("#trouble"), "framed"); // what lies over it or around it could take the presses
    return;
  }
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
