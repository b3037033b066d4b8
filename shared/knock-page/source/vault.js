// The keycards on this device. In: a passphrase. Out: the keycards, from one encrypted entry of localStorage.
// AES-GCM with 256 bits, a new 96-bit IV each time it is written (NIST SP 800-38D, 8.2.2); the key is derived by
// PBKDF2-HMAC-SHA-256 from the passphrase.

const ENTRY = "portress-keycards";
const ITERATIONS = 600_000; // OWASP, Password Storage Cheat Sheet, PBKDF2 with HMAC-SHA-256
const PURPOSE = new TextEncoder().encode("portress keycards 1"); // authenticated with the box

/** @typedef {{ key: CryptoKey, salt: string, kept: boolean }} Opener what opens the entry; made from the passphrase, lives
 * in memory. `kept`: there is such an entry, or was until another tab forgot it */

/** @param {string} passphrase @param {string} salt base64url @returns {Promise<Opener>} */
async function openerFor(passphrase, salt) {
  const bytes = new TextEncoder().encode(passphrase.normalize("NFKC"));
  const base = await crypto.subtle.importKey("raw", bytes, "PBKDF2", false, ["deriveKey"]);
  const rule = { name: "PBKDF2", hash: "SHA-256", salt: fromBase64url(salt), iterations: ITERATIONS };
  const key = await crypto.subtle.deriveKey(rule, base, { name: "AES-GCM", length: 256 }, false, ["encrypt", "decrypt"]);
  return { key, salt, kept: false };
}

/** A fresh opener for a device that keeps nothing yet. @param {string} passphrase */
function newOpener(passphrase) {
  return openerFor(passphrase, toBase64url(crypto.getRandomValues(new Uint8Array(16))));
}

/** This document is the tab's now. Before that, Chromium may give it a storage that nobody keeps, in which all would
 * be lost with the page; what it answers about locks comes after that. */
async function settled() {
  const longest = new Promise((done) => setTimeout(done, 1000));
  try {
    await Promise.race([navigator.locks.query(), longest]);
  } catch {
    // a browser that knows no locks, or has none for this page
  }
}

/** What localStorage holds, or null; it throws where a browser keeps nothing for this page. */
function entry() {
  try {
    return localStorage.getItem(ENTRY);
  } catch {
    return null;
  }
}

/** Whether this device keeps keycards. */
function hasKeycards() {
  return entry() !== null;
}

/** @param {string} text @returns {{ salt: string, iv: string, box: string }} */
function parsedEntry(text) {
  try {
    const { version, iterations, salt, iv, box } = JSON.parse(text);
    if (version === 1 && iterations === ITERATIONS && [salt, iv, box].every((part) => fromBase64url(part).length > 11)) {
      return { salt, iv, box };
    }
  } catch {
    // told below, whatever it was
  }
  throw new Refusal("entry_damaged");
}

/** Throws a Refusal: wrong passphrase. @param {Opener} opener @param {{ iv: string, box: string }} parts
 * @returns {Promise<Keycard[]>} */
async function decrypted(opener, { iv, box }) {
  const rule = { name: "AES-GCM", iv: fromBase64url(iv), additionalData: PURPOSE };
  let plain;
  try {
    plain = await crypto.subtle.decrypt(rule, opener.key, fromBase64url(box));
  } catch {
    throw new Refusal("wrong_passphrase");
  }
  opener.kept = true;
  try {
    const cards = /** @type {unknown[]} */ (JSON.parse(new TextDecoder().decode(plain)));
    return cards.map((card) => readKeycard(JSON.stringify(card)));
  } catch {
    throw new Refusal("entry_damaged");
  }
}

/** The keycards, and what writes them back. Throws a Refusal: wrong passphrase, damaged entry.
 * @param {string} passphrase @returns {Promise<{ opener: Opener, cards: Keycard[] }>} */
async function openKeycards(passphrase) {
  const parts = parsedEntry(entry() ?? "");
  const opener = await openerFor(passphrase, parts.salt);
  return { opener, cards: await decrypted(opener, parts) };
}

/** Whether the opener is that of what is kept now: another tab may have forgotten that, or begun anew since.
 * Throws a Refusal for a damaged entry. @param {Opener} opener */
function stillOpens(opener) {
  const text = entry();
  return text === null ? !opener.kept : parsedEntry(text).salt === opener.salt;
}

/** Whether another tab has forgotten what this opener opens. @param {Opener} opener */
function wasForgotten(opener) {
  return opener.kept && entry() === null;
}

/** The keycards as they are kept now, another tab may have changed them; null if nothing is kept.
 * @param {Opener} opener one that still opens them @returns {Promise<Keycard[] | null>} */
async function keptKeycards(opener) {
  const text = entry();
  return text === null ? null : decrypted(opener, parsedEntry(text));
}

/** Write the keycards, encrypted. Throws a Refusal where the browser keeps nothing, or another tab has forgotten them.
 * @param {Opener} opener @param {Keycard[]} cards */
async function keepKeycards(opener, cards) {
  const iv = crypto.getRandomValues(new Uint8Array(12));
  const plain = new TextEncoder().encode(JSON.stringify(cards));
  const box = await crypto.subtle.encrypt({ name: "AES-GCM", iv, additionalData: PURPOSE }, opener.key, plain);
  const parts = { salt: opener.salt, iv: toBase64url(iv), box: toBase64url(new Uint8Array(box)) };
  if (wasForgotten(opener)) throw new Refusal("forgotten");
  try {
    localStorage.setItem(ENTRY, JSON.stringify({ version: 1, iterations: ITERATIONS, ...parts }));
    opener.kept = true;
  } catch {
    throw new Refusal("not_kept");
  }
}

/** Remove every keycard from this device. */
function forgetKeycards() {
  try {
    localStorage.removeItem(ENTRY);
  } catch {
    // a browser that keeps nothing has nothing to forget
  }
}
