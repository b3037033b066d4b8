// Sequences, version 1 (shared/sequence/v1.md). In: a keycard and a time step. Out: the knocks, in order.

const STEP = 30; // seconds

/** @typedef {{ protocol: string, port: number }} Knock */

/** The time step of a moment. @param {number} unix seconds, 0 or later */
function stepAt(unix) {
  return Math.floor(unix / STEP);
}

/** An unsigned number below 2^53 as 8 bytes, big-endian. @param {DataView} view @param {number} at @param {number} n */
function putLong(view, at, n) {
  view.setUint32(at, Math.floor(n / 2 ** 32));
  view.setUint32(at + 4, n % 2 ** 32);
}

/** @param {BufferSource} secret @param {"SHA-1" | "SHA-256"} hash */
function hmacKey(secret, hash) {
  return crypto.subtle.importKey("raw", secret, { name: "HMAC", hash }, false, ["sign"]);
}

/** The words of the stream, without end.
 * @param {Uint8Array<ArrayBuffer>} secret @param {Keycard} card
 * @param {number} step @param {string} domain */
async function* stream(secret, card, step, domain) {
  const key = await hmacKey(secret, "SHA-256");
  const head = new TextEncoder().encode(`${domain}\0${card.site ?? ""}\0${card.door}\0`);
  const message = new Uint8Array(head.length + 12);
  message.set(head);
  const view = new DataView(message.buffer);
  putLong(view, head.length, step);
  for (let counter = 0; ; counter += 1) {
    view.setUint32(head.length + 8, counter);
    const block = new DataView(await crypto.subtle.sign("HMAC", key, message));
    for (let at = 0; at < block.byteLength; at += 4) yield block.getUint32(at);
  }
}

/** Style `derived`. @param {Keycard} card @param {number} step @param {string} [domain]
 * @returns {Promise<Knock[]>} */
async function derived(card, step, domain = "portress-1") {
  const [first, last] = card.pool ?? [1, 0];
  const protocols = ["tcp", "udp"].filter((name) => card.protocols?.includes(name));
  const size = last - first + 1;
  const total = protocols.length * size;
  const bound = Math.floor(2 ** 32 / total) * total;
  /** @type {Map<number, Knock>} */
  const knocks = new Map(); // by index, in the order they were found
  for await (const word of stream(fromBase32(card.secret), card, step, domain)) {
    const final = card.last && knocks.size === (card.length ?? 0) - 1 ? protocols.indexOf(card.last) : -1;
    const index = final < 0 ? word % total : final * size + (word % size);
    if (word >= (final < 0 ? bound : Math.floor(2 ** 32 / size) * size) || knocks.has(index)) continue;
    knocks.set(index, { protocol: protocols[Math.floor(index / size)] ?? "", port: first + (index % size) });
    if (knocks.size === card.length) break;
  }
  return [...knocks.values()];
}

/** The code of RFC 6238 with HMAC-SHA-1 and 8 digits. @param {Uint8Array<ArrayBuffer>} secret @param {number} step */
async function code(secret, step) {
  const moment = new DataView(new ArrayBuffer(8));
  putLong(moment, 0, step);
  const tag = new DataView(await crypto.subtle.sign("HMAC", await hmacKey(secret, "SHA-1"), moment));
  const number = tag.getUint32(tag.getUint8(19) & 15) & 0x7fffffff;
  return String(number % 100_000_000).padStart(8, "0");
}

/** Style `authenticator`. @param {Keycard} card @param {number} step @returns {Promise<Knock[]>} */
async function dialled(card, step) {
  const pairs = (await code(fromBase32(card.secret), step)).match(/../g) ?? [];
  return pairs.map((pair, i) => ({ protocol: "tcp", port: (card.base ?? 0) + 100 * i + Number(pair) }));
}

/** The sequence that ends one's own admission. @param {Keycard} card @param {number} step 0 or later */
function leavingOf(card, step) {
  return derived(card, step, "portress-1-leave");
}

/** The sequence of a step. @param {Keycard} card @param {number} step 0 or later */
function sequenceOf(card, step) {
  return card.style === "authenticator" ? dialled(card, step) : derived(card, step);
}
