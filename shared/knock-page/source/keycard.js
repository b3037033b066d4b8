// Keycards. In: text in any of its forms (JSON, a fragment, an address with a fragment). Out: a checked keycard,
// or a Refusal that says why not. Follows shared/sequence/v1.md, "Keycards" and "What both sides know".

/**
 * @typedef {object} Keycard
 * @property {1} portress
 * @property {string} host
 * @property {string} door
 * @property {string} keyholder
 * @property {"derived" | "authenticator"} style
 * @property {string} secret base32
 * @property {number} gap seconds
 * @property {string[]} services
 * @property {string} [site] absent: none
 * @property {[number, number]} [pool]
 * @property {string[]} [protocols]
 * @property {number} [length]
 * @property {number} [base]
 * @property {"source" | "connection"} [admits] absent: the source
 * @property {boolean} [leaving] whether the door has a sequence to leave by
 * @property {string} [last] the last knock's protocol, where a connection is admitted
 */

// WHATWG Fetch, "Port blocking", the table of bad ports: no browser dials these.
const BAD_PORTS = new Set([
  1, 7, 9, 11, 13, 15, 17, 19, 20, 21, 22, 23, 25, 37, 42, 43, 53, 69, 77, 79, 87, 95, 101, 102, 103, 104, 109, 110,
  111, 113, 115, 117, 119, 123, 135, 137, 139, 143, 161, 179, 389, 427, 465, 512, 513, 514, 515, 526, 530, 531, 532,
  540, 548, 554, 556, 563, 587, 601, 636, 989, 990, 993, 995, 1719, 1720, 1723, 2049, 3659, 4045, 4190, 5060, 5061,
  6000, 6566, 6665, 6666, 6667, 6668, 6669, 6679, 6697, 10080,
]);

const LONGEST_KEYCARD = 65536; // characters
const LONGEST_SEQUENCE = 16; // knocks
const SHORTEST_SECRET = 16; // bytes: RFC 4226, section 4, R6
const ALPHABET = "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567"; // RFC 4648, section 6

/** What stands in the way; `reason` is a key of the words, `about` fills them. Never holds a secret. */
class Refusal extends Error {
  /** @param {string} reason @param {Record<string, string | number>} [about] */
  constructor(reason, about = {}) {
    super(reason);
    this.reason = reason;
    this.about = about;
  }
}

/** Text as it is shown: control and bidirectional characters, and letters that run from right to left, are escaped
 * (general categories C, Zl and Zp, Unicode 15, 4.5; ranges of Bidi_Class R and AL, UAX #9). @param {unknown} text */
function shown(text) {
  const hidden =
    /[\p{C}\p{Zl}\p{Zp}]|[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufeff\u{10800}-\u{10fff}\u{1e800}-\u{1efff}]/gu;
  return String(text).replace(hidden, (one) =>
    [...Array(one.length).keys()].map((at) => `\\u${one.charCodeAt(at).toString(16).padStart(4, "0")}`).join(""),
  );
}

/** Base32 without regard to case, blanks, hyphens and padding; bits left over are ignored. @param {string} text */
function fromBase32(text) {
  const letters = text.toUpperCase().replace(/[\s\-=]/g, "");
  const bytes = [];
  let bits = 0;
  let value = 0;
  for (const letter of letters) {
    const five = ALPHABET.indexOf(letter);
    if (five < 0) throw new Refusal("damaged", { part: "secret" });
    value = ((value << 5) | five) & 0xfff;
    bits += 5;
    if (bits >= 8) {
      bits -= 8;
      bytes.push((value >> bits) & 0xff);
    }
  }
  return new Uint8Array(bytes);
}

/** Base64url without padding (RFC 4648, section 5). @param {Uint8Array} bytes */
function toBase64url(bytes) {
  const text = Array.from(bytes, (byte) => String.fromCharCode(byte)).join("");
  return btoa(text).replaceAll("+", "-").replaceAll("/", "_").replace(/=+$/, "");
}

/** Throws a DOMException for anything else. @param {string} text */
function fromBase64url(text) {
  return Uint8Array.from(atob(text.replaceAll("-", "+").replaceAll("_", "/")), (letter) => letter.charCodeAt(0));
}

/** The URL that dials a port; throws a Refusal for a host no URL can hold. @param {string} host @param {number} port */
function address(host, port, scheme = "wss") {
  try {
    const url = new URL(`${scheme}://${host.includes(":") ? `[${host}]` : host}:${port}/`);
    if (url.username || url.pathname !== "/" || url.search || url.hash) throw new Refusal("damaged", { part: "host" });
    return url.href;
  } catch {
    throw new Refusal("damaged", { part: "host" });
  }
}

/** @param {unknown} value @param {number} least @param {number} most */
function whole(value, least, most) {
  return typeof value === "number" && Number.isInteger(value) && value >= least && value <= most;
}

/** @param {unknown} pool */
function poolSize(pool) {
  if (!Array.isArray(pool) || pool.length !== 2 || !pool.every((port) => whole(port, 1, 65535))) return 0;
  return Math.max(0, pool[1] - pool[0] + 1);
}

/** Which part of a keycard's rule is wrong, or nothing. @param {Record<string, unknown>} card */
function unfitRule(card) {
  if (card.leaving !== undefined && typeof card.leaving !== "boolean") return "leaving";
  if (card.leaving && (card.style !== "derived" || card.admits === "connection")) return "leaving";
  if (card.style === "authenticator") return whole(card.base, 1, 65136) ? "" : "base";
  if (card.style !== "derived") return "style";
  const protocols = card.protocols;
  if (!Array.isArray(protocols) || !protocols.length || !protocols.every((name) => name === "tcp" || name === "udp")) {
    return "protocols";
  }
  const size = poolSize(card.pool);
  if (!size) return "pool";
  const connection = card.admits === "connection";
  if (!connection && card.admits !== undefined && card.admits !== "source") return "admits";
  if (connection ? !protocols.includes(card.last) : card.last !== undefined) return "admits";
  if (connection && !whole(card.length, 1, size)) return "length";
  return whole(card.length, 1, Math.min(LONGEST_SEQUENCE, size * new Set(protocols).size)) ? "" : "length";
}

/** The object that a keycard's text holds, whichever form it has. @param {string} text @returns {unknown} */
function unwrapped(text) {
  const bare = text.replace(/^\uFEFF/, "").trim();
  if (bare.length > LONGEST_KEYCARD) throw new Refusal("not_a_keycard");
  try {
    if (bare.startsWith("{")) return JSON.parse(bare);
    const fragment = bare.slice(bare.indexOf("#") + 1).replace(/\s/g, "");
    return JSON.parse(new TextDecoder("utf-8", { fatal: true }).decode(fromBase64url(fragment)));
  } catch {
    throw new Refusal(bare ? "not_a_keycard" : "nothing");
  }
}

/** A keycard from its text. Throws a Refusal. @param {string} text @returns {Keycard} */
function readKeycard(text) {
  const card = /** @type {Record<string, unknown>} */ (unwrapped(text));
  if (card === null || typeof card !== "object" || !("portress" in card)) throw new Refusal("not_a_keycard");
  if (card.portress !== 1) throw new Refusal("other_version");
  for (const part of ["host", "door", "secret"]) {
    const value = card[part];
    if (typeof value !== "string" || !value || value.includes("\0")) throw new Refusal("damaged", { part });
  }
  const site = "site" in card ? card.site : "";
  if (typeof site !== "string" || site.includes("\0")) throw new Refusal("damaged", { part: "site" });
  if (fromBase32(String(card.secret)).length < SHORTEST_SECRET) throw new Refusal("damaged", { part: "secret" });
  address(String(card.host), 1);
  if (typeof card.gap !== "number" || !(card.gap > 0)) throw new Refusal("damaged", { part: "gap" });
  const part = unfitRule(card);
  if (part) throw new Refusal("damaged", { part });
  const services = Array.isArray(card.services) ? card.services.filter((name) => typeof name === "string") : [];
  const keyholder = typeof card.keyholder === "string" ? card.keyholder : "";
  return /** @type {Keycard} */ (/** @type {unknown} */ ({ ...card, keyholder, services }));
}

/** Throws a Refusal if no browser can knock what this keycard asks for. @param {Keycard} card */
function checkForBrowser(card) {
  const { door, host } = aboutCard(card);
  if (card.admits === "connection") throw new Refusal("connection", { door, host });
  if (card.style === "derived" && card.protocols?.includes("udp")) throw new Refusal("udp", { door, host });
  const [first, last] = card.style === "derived" ? card.pool ?? [0, 0] : [card.base ?? 0, (card.base ?? 0) + 399];
  for (const port of BAD_PORTS) {
    if (port >= first && port <= last) throw new Refusal("bad_ports", { door, host });
  }
}

/** A host as it is shown: in its ASCII form (RFC 5890), so that no letter passes for another. @param {string} host */
function asciiHost(host) {
  try {
    return new URL(address(host, 1)).hostname.replace(/^\[|\]$/g, "");
  } catch {
    return shown(host);
  }
}

/** What fills a sentence about a keycard. @param {Keycard} card */
function aboutCard(card) {
  return { door: card.door, host: asciiHost(card.host), keyholder: card.keyholder };
}

/** Whether two keycards are for the same door, so that one would replace the other.
 * @param {Keycard} one @param {Keycard} other */
function sameDoor(one, other) {
  return asciiHost(one.host) === asciiHost(other.host) && one.door === other.door;
}

/** The names of what differs between two keycards, as the words have them (`part_…`).
 * @param {Keycard} one @param {Keycard} other @returns {string[]} */
function differences(one, other) {
  const [before, after] = /** @type {Record<string, unknown>[]} */ (/** @type {unknown} */ ([one, other]));
  const parts = ["keyholder", "site", "secret", "style", "pool", "protocols", "length", "base", "gap", "admits"];
  parts.push("leaving", "services");
  const text = (/** @type {unknown} */ value) => JSON.stringify(value ?? "");
  return parts.filter((part) => text(before?.[part]) !== text(after?.[part]));
}
