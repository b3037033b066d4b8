// Knocking. In: a host, the knocks, how long to wait. Out: a first packet of TCP to each port, in order.
//
// A knock is the opening of a WebSocket: its SYN is the knock, and what comes after does not matter. It is closed
// when it has failed or after a moment. A `fetch` would do as well where ports refuse; but where they are silent
// Chromium goes on repeating a cancelled fetch's SYNs, from two sockets, for minutes, and they would break into the
// next sequence. Closing a WebSocket ends them. `wss:` works from https: pages (ws: is mixed content there).

const MOMENT = 750; // ms: longer than it takes a browser to try the other address family (300 ms, RFC 8305 says 250),
//                     shorter than it takes a kernel to repeat a SYN (1 s, RFC 6298)
const FIRST_MOMENT = 1500; // ms: the host's name may have to be looked up
const PAUSE = 60; // ms between two knocks that were refused at once, so that no network reorders them
const SLOWED_FOR = 360_000; // ms: Chromium counts failed WebSockets over the last 3 to 6 minutes
const TALLY = "portress-dialled";

/** @param {number} ms @returns {Promise<void>} */
function rest(ms) {
  return new Promise((done) => setTimeout(done, ms));
}

/** When this tab opened WebSockets of late; kept over a reload, as the browser's own count is. */
function dialledOfLate() {
  try {
    const times = /** @type {number[]} */ (JSON.parse(sessionStorage.getItem(TALLY) ?? "[]"));
    return times.filter((time) => Math.abs(Date.now() - time) < SLOWED_FOR);
  } catch {
    return [];
  }
}

function countDialled() {
  try {
    sessionStorage.setItem(TALLY, JSON.stringify([...dialledOfLate(), Date.now()].slice(-32)));
  } catch {
    // without storage the count begins anew with each reload
  }
}

/** How long a browser may hold back the next WebSocket, in ms. Chromium waits up to 5 s x 2^(failures - 16). */
function heldBack() {
  return 5000 * 2 ** Math.min(0, dialledOfLate().length + 1 - 16);
}

/** Open a connection and give it up; true if it failed by itself. @param {string} url @param {number} patience ms
 * @returns {Promise<boolean>} */
function dial(url, patience) {
  return new Promise((done) => {
    const socket = new WebSocket(url);
    const end = (/** @type {boolean} */ refused) => {
      clearTimeout(bell);
      socket.onopen = socket.onerror = null;
      socket.close();
      done(refused);
    };
    const bell = setTimeout(() => end(false), patience);
    socket.onopen = () => end(false);
    socket.onerror = () => end(true);
    countDialled();
  });
}

/** How long one knock is waited for, in ms; never so long that the next one misses the gap.
 * @param {Keycard} card @param {boolean} first */
function patienceFor(card, first) {
  return Math.min((first ? FIRST_MOMENT : MOMENT) + heldBack(), card.gap * 600);
}

/** How long a run may take, in ms. @param {Keycard} card @param {number} length knocks */
function longestRun(card, length) {
  return patienceFor(card, true) + (length - 1) * patienceFor(card, false);
}

/** Send the knocks, in order. @param {Keycard} card @param {Knock[]} knocks
 * @param {(sent: number) => void} told how many so far */
async function sendKnocks(card, knocks, told) {
  for (const [number, knock] of knocks.entries()) {
    if (await dial(address(card.host, knock.port), patienceFor(card, number === 0))) await rest(PAUSE);
    told(number + 1);
  }
}

/** The first service that a browser may dial: TCP, not among the bad ports; its port, or 0. @param {Keycard} card */
function dialable(card) {
  for (const service of card.services) {
    const port = Number(/^tcp\/(\d+)/.exec(service)?.[1] ?? 0);
    if (whole(port, 1, 65535) && !BAD_PORTS.has(port)) return port;
  }
  return 0;
}

/** What a service says to an https request within `patience` ms: `answers` (it speaks it), `ends` (something ended
 * the attempt: another protocol, an unknown certificate, a refusal), or `silent`.
 * @param {string} host @param {number} port @param {number} patience @returns {Promise<"answers" | "ends" | "silent">} */
async function ask(host, port, patience) {
  const given = new AbortController();
  const bell = setTimeout(() => given.abort(), patience);
  const options = /** @type {RequestInit} */ ({ mode: "no-cors", cache: "no-store", credentials: "omit" });
  try {
    await fetch(address(host, port, "https"), { ...options, signal: given.signal });
    return "answers";
  } catch {
    return given.signal.aborted ? "silent" : "ends";
  } finally {
    clearTimeout(bell);
  }
}
