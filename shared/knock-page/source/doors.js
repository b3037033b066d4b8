// The doors. In: the keycards that are open. Out: a card for each, and what became of a knock, in words.

const BEFORE = 700; // ms that a service is given to respond before the knocks
const AFTER = 4000; // ms afterwards: a SYN that came too early is repeated after 1 s
const WORTH_WAITING = 8; // seconds until a new step that are waited out rather than run into

/** @type {Record<string, string>} */
const WELL_KNOWN = { "tcp/22": "SSH", "tcp/80": "HTTP", "tcp/443": "HTTPS", "udp/51820": "WireGuard" };

let knocking = false;

/** @param {Keycard} card */
function servicesOf(card) {
  return shown(card.services.map((name) => (WELL_KNOWN[name] ? `${WELL_KNOWN[name]} (${name})` : name)).join(", "));
}

/** @param {Keycard[]} cards @param {(card: Keycard) => void} remove */
function showCards(cards, remove) {
  one("#cards").replaceChildren(...cards.map((card) => cardElement(card, remove)));
  one("#doors").classList.remove("open");
  retell(one("#cards"));
}

/** @param {Keycard} card @param {(card: Keycard) => void} remove @returns {HTMLElement} */
function cardElement(card, remove) {
  const template = /** @type {HTMLTemplateElement} */ (document.querySelector("#card"));
  const copy = /** @type {DocumentFragment} */ (template.content.cloneNode(true));
  const element = one("li", copy);
  one("h2", copy).textContent = shown(card.door);
  one(".where", copy).textContent = asciiHost(card.host);
  if (card.keyholder) {
    const whose = document.createElement("p");
    whose.className = "where";
    one(".where", copy).after(whose);
    tell(whose, "for_whom", () => ({ keyholder: card.keyholder }));
  }
  one(".services", copy).textContent = servicesOf(card);
  one(".opens", copy).hidden = !card.services.length;
  const about = () => aboutCard(card);
  label(one(".knock", copy), "knock_on", about);
  one(".knock", copy).addEventListener("click", () => knockOn(card, element, knockAndLook));
  one(".leave", copy).hidden = !card.leaving;
  label(one(".leave", copy), "leave_which", about);
  one(".leave", copy).addEventListener("click", () => knockOn(card, element, leaveAndLook));
  label(one(".remove", copy), "remove_which", about);
  one(".remove", copy).addEventListener("click", () => remove(card));
  return element;
}

/** Give a button the name by which it is read out. @param {HTMLElement} button @param {string} key @param {About} about */
function label(button, key, about) {
  button.setAttribute("data-label", key);
  told.set(button, { key, about });
}

/** @param {HTMLElement} element the card's @param {string} kind `good`, `bad`, `unsure` (under way) or `knocked` (cannot be told) @param {string} key
 * @param {About} [about] */
function report(element, kind, key, about) {
  const place = one(".result", element);
  place.className = `result ${kind}`;
  const sentence = document.createElement("p");
  place.replaceChildren(sentence);
  tell(sentence, key, about);
  element.querySelector(".help")?.remove();
}

/** Below the report, what to do if the door stays shut. @param {HTMLElement} element */
function help(element) {
  const template = /** @type {HTMLTemplateElement} */ (document.querySelector("#shut"));
  const box = document.createElement("div");
  box.className = "help";
  box.append(template.content.cloneNode(true));
  one(".result", element).after(box);
  retell(box);
}

/** The step to knock by: this one, or the next if this one is about to end. @param {Keycard} card
 * @param {HTMLElement} element */
async function stepFor(card, element) {
  const needed = longestRun(card, card.style === "derived" ? card.length ?? 1 : 4) / 1000;
  if (secondsLeft() < Math.min(needed, WORTH_WAITING)) {
    report(element, "unsure", "waiting");
    await rest(secondsLeft() * 1000 + 200);
  }
  return stepAt(now());
}

/** Knock, to be let in or to leave, and say what can be said of it. @param {Keycard} card @param {HTMLElement} element
 * @param {(card: Keycard, element: HTMLElement) => Promise<void>} act */
async function knockOn(card, element, act) {
  if (knocking) return;
  if (!navigator.onLine) {
    report(element, "bad", "no_network");
    return;
  }
  busy(true);
  tell(one("#news"), "");
  one("#doors").classList.remove("open");
  try {
    await act(card, element);
  } catch (error) {
    const { key, about } = spoken(error);
    report(element, "bad", key, about);
  } finally {
    one("progress", element).hidden = true;
    busy(false);
  }
}

/** @param {boolean} is */
function busy(is) {
  knocking = is;
  for (const button of document.querySelectorAll(".knock, .leave")) {
    if (is) button.setAttribute("aria-disabled", "true");
    else button.removeAttribute("aria-disabled");
  }
}

/** @param {Keycard} card @param {HTMLElement} element */
async function knockAndLook(card, element) {
  const port = dialable(card);
  report(element, "unsure", "knocking");
  const before = port ? await ask(card.host, port, BEFORE) : "silent";
  await send(card, element, await sequenceOf(card, await stepFor(card, element)));
  if (!navigator.onLine) {
    report(element, "bad", "no_network");
  } else if (!port) {
    report(element, "knocked", "knocked_blind");
    help(element);
  } else {
    conclude(element, before, await ask(card.host, port, AFTER));
  }
}

/** Send the knocks, and show how far they are. @param {Keycard} card @param {HTMLElement} element @param {Knock[]} knocks */
async function send(card, element, knocks) {
  const progress = /** @type {HTMLProgressElement} */ (one("progress", element));
  progress.setAttribute("aria-label", say("knocking"));
  progress.value = 0;
  progress.hidden = false;
  const most = Math.ceil(longestRun(card, knocks.length) / 1000);
  report(element, "unsure", heldBack() > MOMENT ? "knocking_slowly" : "knocking", () => ({ most }));
  await sendKnocks(card, knocks, (sent) => {
    progress.value = sent / knocks.length;
  });
}

/** End one's own admission. @param {Keycard} card @param {HTMLElement} element */
async function leaveAndLook(card, element) {
  const port = dialable(card);
  report(element, "unsure", "knocking");
  const before = port ? await ask(card.host, port, BEFORE) : "silent";
  await send(card, element, await leavingOf(card, await stepFor(card, element)));
  const after = port ? await askWhileOpen(card.host, port) : "silent";
  if (!navigator.onLine) report(element, "bad", "no_network");
  else if (after === "answers") report(element, "bad", "left_open");
  else report(element, before === after ? "knocked" : "good", before === after ? "left_blind" : "left_closed");
}

/** What a service does in the end: a busy host closes a door some moments after the last knock.
 * @param {string} host @param {number} port */
async function askWhileOpen(host, port) {
  const begun = performance.now();
  let said = navigator.onLine ? await ask(host, port, BEFORE) : "silent";
  while (said === "answers" && performance.now() - begun < AFTER) {
    await rest(BEFORE);
    said = await ask(host, port, BEFORE);
  }
  return said;
}

/** @param {HTMLElement} element @param {string} before what the service did then @param {string} after and now */
function conclude(element, before, after) {
  if (after === "answers" || (after === "ends" && before === "silent")) {
    report(element, "good", after === "answers" ? "knocked_answers" : "knocked_opened");
    one("#doors").classList.add("open");
    return;
  }
  report(element, after === "silent" ? "bad" : "knocked", after === "silent" ? "knocked_silent" : "knocked_same");
  help(element);
}
