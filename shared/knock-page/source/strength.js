// How hard a passphrase is to guess. In: a passphrase. Out: bits, at most what somebody would need who knows how
// people choose them, and how long that takes offline. Careful rather than clever: an English or German word is
// worth one of the 7,776 words of a dice list, whatever its length; what is random is told by its look.

const GUESSES = 1.5e6; // a second: a hundred graphics cards at 15,000 each, PBKDF2 with 600,000 rounds (from memory)
const YEAR = 31_557_600; // seconds
const LEAST_YEARS = 10;
const LEAST_BITS = Math.log2(2 * GUESSES * YEAR * LEAST_YEARS); // 49.7: half of all guesses find it on average
const WORD = Math.log2(7776); // bits of a word from a dice list
const KNOWN = 8; // bits of what stands at the top of every list

// What lists of leaked passwords begin with, and phrases that everybody knows (from memory).
const COMMON =
  /password|passwort|passphrase|qwert[yz]|asdf|letmein|iloveyou|welcome|willkommen|hallo|monkey|dragon|football|fussball|baseball|sunshine|princess|schatz|master|shadow|superman|batman|starwars|admin|login|geheim|secret|portress|correcthorsebatterystaple|trustno1|tobeornottobe|maytheforcebewithyou|abc123|test/g;
const ROWS = ["abcdefghijklmnopqrstuvwxyz", "01234567890", "qwertyuiop", "qwertzuiop", "asdfghjkl", "zxcvbnm", "yxcvbnm"];
/** @type {Record<string, string>} */
const LOOKALIKES = { 0: "o", 1: "i", 3: "e", 4: "a", 5: "s", 7: "t", "@": "a", $: "s", "!": "i" };

/** Whether the letters or digits follow each other on a row, in the alphabet, or are all the same. @param {string} run */
function inARow(run) {
  const back = [...run].reverse().join("");
  return run.length > 2 && (/^(.)\1+$/u.test(run) || ROWS.some((row) => row.includes(run) || row.includes(back)));
}

/** @param {string} run letters only */
function lettersBits(run) {
  const small = run.toLowerCase();
  if (inARow(small)) return KNOWN / 2;
  const regular = run === small || run === run.toUpperCase() || run.slice(1) === small.slice(1);
  if (!regular) return run.length * 5.7; // one of 52 letters
  if (run.length < 3 || !/[aeiouyäöü]/.test(small) || /[^aeiouyäöü]{5}/.test(small)) return run.length * 4.7; // of 26
  return Math.min(WORD, run.length * 3.2) + Math.max(0, run.length - 9) * 1.5 + (run === small ? 0 : 1);
}

/** @param {string} run digits only */
function digitsBits(run) {
  if (inARow(run)) return KNOWN / 2;
  if (/^(19|20)\d\d$/.test(run)) return 7; // a year
  return run.length === 6 || run.length === 8 ? Math.min(run.length * 3.3, 16) : run.length * 3.3; // or a date
}

/** How many bits a passphrase is worth. @param {string} phrase */
function strengthOf(phrase) {
  const plain = [...phrase.normalize("NFKC").toLowerCase()].map((one) => LOOKALIKES[one] ?? one).join("");
  const letters = plain.replace(/[^\p{L}\p{N}]/gu, "");
  const known = letters.match(COMMON) ?? [];
  const unknown = letters.replace(COMMON, "").length;
  let bits = 0;
  const seen = new Set();
  for (const [run] of phrase.matchAll(/\p{L}+|\p{N}+|[^\p{L}\p{N}]+/gu)) {
    const small = run.toLowerCase();
    if (seen.has(small)) bits += 0.5;
    else if (/^\p{L}/u.test(run)) bits += lettersBits(run);
    else if (/^\p{N}/u.test(run)) bits += digitsBits(run);
    else bits += new Set(run).size === 1 ? Math.min(run.length + 1, 3) : Math.min(run.length, new Set(run).size + 1) * 5;
    seen.add(small);
  }
  // Something well known in it counts as that, whatever stands in place of its letters; the rest as before.
  return known.length ? Math.min(bits, known.length * KNOWN + unknown * 2.5) : bits;
}

/** Seconds until such a passphrase is guessed, on average. @param {number} bits */
function guessedIn(bits) {
  return 2 ** (bits - 1) / GUESSES;
}
