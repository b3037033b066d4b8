// The time. In: the device's clock and, where a server sent this page, the Date of its answers. Out: the moment to
// knock by, and how far the device's clock is off.

const GOOD = 5; // seconds off that need no word: a Date is in whole seconds, and the answer was under way
const BEARABLE = 25; // seconds off at which a host still accepts the step before or after (v1.md, "The time step")

/** Seconds that are added to the device's clock: 0, unless the server's time is used. */
let correction = 0;

/** Unix time, in seconds. */
function now() {
  return Date.now() / 1000 + correction;
}

/** Seconds until the step ends. */
function secondsLeft() {
  return STEP - (now() % STEP);
}

/** Whether a server sent this page, so that its clock can be asked. */
function hasServer() {
  return location.protocol === "https:" || location.protocol === "http:";
}

/** How many seconds the device's clock is ahead of the server's (negative: behind); null if it cannot be told. */
async function clockAhead() {
  if (!hasServer()) return null;
  try {
    const asked = Date.now();
    const page = location.href.replace(/#.*/s, "");
    const answer = await fetch(page, { method: "HEAD", cache: "no-store", credentials: "omit" });
    const answered = Date.now();
    const date = Date.parse(answer.headers.get("Date") ?? "");
    return Number.isNaN(date) ? null : ((asked + answered) / 2 - (date + 500)) / 1000;
  } catch {
    return null;
  }
}
