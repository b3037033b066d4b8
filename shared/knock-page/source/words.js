// All that the page says, in English and German. In: a key and what fills it. Out: a sentence.
// A door, its host and the like stand in braces. The keys are those of page.html (data-say), of Refusals and of main.js.

/** @type {Record<string, Record<string, string>>} */
const WORDS = {
  en: {
    title: "Portress: knock on a door",
    other_language: "Deutsch",
    start: "Knock, and be let in",
    start_text:
      "Portress keeps the doors of a host shut. This page knocks on them with your keycard, and the host lets you in from where you are. Nothing needs to be installed.",
    start_add: "Add a keycard",
    locked: "Your keycards are locked",
    locked_text: "They are kept on this device, encrypted. Your passphrase opens them.",
    passphrase: "Passphrase",
    passphrase_again: "The same passphrase again",
    show: "Show it",
    open: "Open",
    forget: "Forget all keycards on this device",
    doors: "Your doors",
    seconds: "s",
    changes: "until the sequence changes",
    opens: "This keycard opens",
    for_whom: "Keyholder: {keyholder}",
    knock: "Knock",
    knock_on: "Knock on {door} at {host}",
    remove: "Remove",
    remove_which: "Remove the keycard for {door} at {host}",
    another: "Add another keycard",
    lock: "Lock",
    add: "Add a keycard",
    add_text: "Whoever runs the host gives you the keycard: as an address to open or scan, as a text, or as a file.",
    paste: "Paste the keycard or its address",
    file: "Or choose its file…",
    next: "Go on",
    back: "Back",
    keep: "Keep this keycard",
    keep_opens: "It opens {door} at {host}.",
    keep_whose: "It opens {door} at {host}, for {keyholder}.",
    keep_new: "Choose a passphrase. It encrypts the keycard on this device; nobody can tell it to you again.",
    keep_old: "Enter the passphrase of this device’s keycards, so that this one can be kept with them.",
    passphrase_hint: "At least {least} characters: four words that do not belong together are good.",
    keep_button: "Keep it",
    kept: "The keycard for {door} at {host} is kept on this device.",
    kept_from_address:
      "The keycard for {door} at {host} is kept on this device. The browser’s history may still hold the address it came in: delete that entry.",
    clock: "The clock",
    clock_reads: "This device says {local}, which is {utc} UTC.",
    clock_by_hand:
      "Doors open only at the right moment, to within 30 seconds. This page came from a file, so it cannot check: compare with a clock you trust, or switch on automatic date and time in its settings.",
    clock_unknown:
      "Doors open only at the right moment, to within 30 seconds. The server of this page did not tell its time: compare with a clock you trust, or switch on automatic date and time in its settings.",
    clock_good: "It agrees with the server this page came from.",
    clock_ahead:
      "It is {off} ahead of the server this page came from, and doors open only at the right moment. Switch on automatic date and time in its settings, or knock by the server’s clock.",
    clock_behind:
      "It is {off} behind the server this page came from, and doors open only at the right moment. Switch on automatic date and time in its settings, or knock by the server’s clock.",
    clock_bit: "It is {off} off from the server this page came from: that still opens doors.",
    clock_corrected: "It is {off} off. Portress knocks by the clock of the server this page came from.",
    use_server: "Knock by the server’s clock",
    no_network: "This device has no network connection. Switch on Wi-Fi or mobile data, then knock again.",
    waiting: "The sequence is about to change. Knocking begins in a moment.",
    knocking: "Knocking.",
    knocking_slowly: "Knocking. After several attempts the browser slows down: this can take {most} seconds.",
    knocked_answers: "Knocked, and the service answers: the door is open.",
    knocked_opened: "Knocked. The service was silent before and responds now: the door is open.",
    knocked_same:
      "Knocked. Something responded before and after, so this browser cannot tell whether the door is open. Try your app.",
    knocked_blind:
      "Knocked. A browser cannot tell whether this door opened. Connect with your app now, over the same network.",
    knocked_silent: "Knocked, but the service does not answer.",
    if_shut: "If the door stays shut",
    shut_clock: "Check the clock on this page.",
    shut_wait: "Wait a minute before you knock again. Browsers repeat their attempts and get in their own way.",
    shut_network:
      "Connect over the network you knocked from. Wi-Fi, mobile data and a VPN each have an address of their own.",
    shut_ask: "If the browser asks whether this page may reach other devices, allow it.",
    shut_card: "Ask whoever runs the host whether the keycard is still good.",
    damaged: "This keycard is damaged: its {part} is missing or cannot be right. Ask for a new one.",
    part_secret: "secret",
    part_host: "host",
    part_door: "door",
    part_site: "site",
    part_gap: "gap",
    part_style: "style",
    part_pool: "pool",
    part_protocols: "list of protocols",
    part_length: "length",
    part_base: "base",
    not_a_keycard: "This is not a keycard, or it is damaged: part of it may be missing. Copy all of it, or ask for a new one.",
    nothing: "There is nothing to add yet: paste a keycard or choose its file.",
    other_version: "This keycard is of another version than this page knows. Open a newer page, or ask for a new keycard.",
    udp: "A browser cannot knock on {door} at {host}: the door also listens for UDP, and browsers send only TCP. Ask whoever runs the host to set protocols: [tcp] for this door and to make you a keycard for phones.",
    bad_ports:
      "A browser cannot knock on {door} at {host}: browsers refuse to dial some of its ports. Ask whoever runs the host for a keycard for phones.",
    wrong_passphrase: "That is not the passphrase. Try again; capital letters count.",
    entry_damaged: "What this device kept is damaged and cannot be opened. Forget it, and add your keycards anew.",
    not_kept:
      "This browser keeps nothing for this page, perhaps because it is a private window. You can knock now; the keycard is gone when the page is closed.",
    too_short: "The passphrase is too short: at least {least} characters.",
    unequal: "The two passphrases differ.",
    unreadable: "The file cannot be read.",
    insecure: "This page came over an unprotected connection and cannot knock. Open it over https:// or from a file.",
    unexpected: "That did not work ({error}).",
    sure_remove: "Remove the keycard for {door} at {host} from this device?",
    sure_forget: "Forget all keycards on this device? They cannot be brought back from here.",
    yes_remove: "Remove",
    yes_forget: "Forget them",
    no: "Keep",
    about: "What this page does",
    about_knock:
      "It opens connections to some ports of the host, one after the other, and gives each up at once. Which ones follows from your keycard and the time, changes every 30 seconds and works once. The host lets the address you come from in for a while.",
    about_keep:
      "Your keycard never leaves this device. It is kept encrypted under your passphrase (AES-GCM, PBKDF2 with {count} rounds). The page loads nothing, counts nobody and tells no server anything.",
    about_not:
      "It is one layer of protection. Who shares your public address, as in the same Wi-Fi, shares your way in: the service’s own login must stay strong.",
    minutes: "{n} minutes",
    seconds_long: "{n} seconds",
    hours: "{n} hours",
    days: "{n} days",
  },
  de: {
    title: "Portress: an einer Tür anklopfen",
    other_language: "English",
    start: "Anklopfen und eingelassen werden",
    start_text:
      "Portress hält die Türen eines Rechners geschlossen. Diese Seite klopft mit deiner Schlüsselkarte an, und der Rechner lässt dich ein, von wo du gerade bist. Es muss nichts installiert werden.",
    start_add: "Schlüsselkarte hinzufügen",
    locked: "Deine Schlüsselkarten sind verschlossen",
    locked_text: "Sie liegen verschlüsselt auf diesem Gerät. Deine Passphrase öffnet sie.",
    passphrase: "Passphrase",
    passphrase_again: "Dieselbe Passphrase noch einmal",
    show: "Anzeigen",
    open: "Öffnen",
    forget: "Alle Schlüsselkarten auf diesem Gerät vergessen",
    doors: "Deine Türen",
    seconds: "s",
    changes: "bis die Klopffolge wechselt",
    opens: "Diese Schlüsselkarte öffnet",
    for_whom: "Inhaber: {keyholder}",
    knock: "Anklopfen",
    knock_on: "Anklopfen an {door} auf {host}",
    remove: "Entfernen",
    remove_which: "Entfernen der Schlüsselkarte für {door} auf {host}",
    another: "Weitere Schlüsselkarte hinzufügen",
    lock: "Verschließen",
    add: "Schlüsselkarte hinzufügen",
    add_text:
      "Du bekommst sie von denen, die den Rechner betreiben: als Adresse zum Öffnen oder Scannen, als Text oder als Datei.",
    paste: "Schlüsselkarte oder ihre Adresse einfügen",
    file: "Oder ihre Datei auswählen…",
    next: "Weiter",
    back: "Zurück",
    keep: "Schlüsselkarte behalten",
    keep_opens: "Sie öffnet {door} auf {host}.",
    keep_whose: "Sie öffnet {door} auf {host}, für {keyholder}.",
    keep_new:
      "Wähle eine Passphrase. Mit ihr wird die Schlüsselkarte auf diesem Gerät verschlüsselt; niemand kann sie dir wieder nennen.",
    keep_old:
      "Gib die Passphrase der Schlüsselkarten auf diesem Gerät ein, damit diese zu ihnen gelegt werden kann.",
    passphrase_hint: "Mindestens {least} Zeichen: gut sind vier Wörter, die nicht zusammengehören.",
    keep_button: "Behalten",
    kept: "Die Schlüsselkarte für {door} auf {host} ist auf diesem Gerät aufbewahrt.",
    kept_from_address:
      "Die Schlüsselkarte für {door} auf {host} ist auf diesem Gerät aufbewahrt. Im Verlauf des Browsers kann die Adresse noch stehen, mit der sie kam: lösche diesen Eintrag.",
    clock: "Die Uhr",
    clock_reads: "Dieses Gerät sagt {local}, also {utc} UTC.",
    clock_by_hand:
      "Türen öffnen sich nur im richtigen Moment, auf 30 Sekunden genau. Diese Seite kam aus einer Datei und kann das nicht prüfen: vergleiche mit einer verlässlichen Uhr, oder stelle in seinen Einstellungen Datum und Uhrzeit auf automatisch.",
    clock_unknown:
      "Türen öffnen sich nur im richtigen Moment, auf 30 Sekunden genau. Der Server dieser Seite nannte seine Zeit nicht: vergleiche mit einer verlässlichen Uhr, oder stelle in seinen Einstellungen Datum und Uhrzeit auf automatisch.",
    clock_good: "Sie stimmt mit dem Server überein, von dem diese Seite kam.",
    clock_ahead:
      "Sie geht {off} vor gegenüber dem Server, von dem diese Seite kam, und Türen öffnen sich nur im richtigen Moment. Stelle in seinen Einstellungen Datum und Uhrzeit auf automatisch, oder klopfe nach der Uhr des Servers an.",
    clock_behind:
      "Sie geht {off} nach gegenüber dem Server, von dem diese Seite kam, und Türen öffnen sich nur im richtigen Moment. Stelle in seinen Einstellungen Datum und Uhrzeit auf automatisch, oder klopfe nach der Uhr des Servers an.",
    clock_bit: "Sie weicht {off} vom Server ab, von dem diese Seite kam: damit öffnen sich Türen noch.",
    clock_corrected: "Sie weicht {off} ab. Portress klopft nach der Uhr des Servers an, von dem diese Seite kam.",
    use_server: "Nach der Uhr des Servers anklopfen",
    no_network: "Dieses Gerät hat keine Netzverbindung. Schalte WLAN oder mobile Daten ein und klopfe dann noch einmal an.",
    waiting: "Die Klopffolge wechselt gleich. Das Klopfen beginnt in einem Moment.",
    knocking: "Es wird angeklopft.",
    knocking_slowly: "Es wird angeklopft. Nach mehreren Versuchen wird der Browser langsamer: es kann {most} Sekunden dauern.",
    knocked_answers: "Angeklopft, und der Dienst antwortet: die Tür ist offen.",
    knocked_opened: "Angeklopft. Der Dienst schwieg vorher und reagiert jetzt: die Tür ist offen.",
    knocked_same:
      "Angeklopft. Vorher wie nachher kam eine Reaktion, also sieht dieser Browser nicht, ob die Tür offen ist. Versuche es mit deiner App.",
    knocked_blind:
      "Angeklopft. Ein Browser kann nicht sehen, ob sich diese Tür geöffnet hat. Verbinde dich jetzt mit deiner App, über dasselbe Netz.",
    knocked_silent: "Angeklopft, aber der Dienst antwortet nicht.",
    if_shut: "Wenn die Tür zu bleibt",
    shut_clock: "Prüfe die Uhr auf dieser Seite.",
    shut_wait: "Warte eine Minute, bevor du wieder anklopfst. Browser wiederholen ihre Versuche und stören sich dabei selbst.",
    shut_network:
      "Verbinde dich über das Netz, aus dem du angeklopft hast. WLAN, mobile Daten und ein VPN haben je eine eigene Adresse.",
    shut_ask: "Wenn der Browser fragt, ob diese Seite andere Geräte erreichen darf, erlaube es.",
    shut_card: "Frage die, die den Rechner betreiben, ob die Schlüsselkarte noch gilt.",
    damaged: "Diese Schlüsselkarte ist beschädigt: {part} fehlt oder kann nicht stimmen. Bitte um eine neue.",
    part_secret: "das Geheimnis",
    part_host: "der Rechner",
    part_door: "die Tür",
    part_site: "site",
    part_gap: "die Pause",
    part_style: "die Art",
    part_pool: "der Portbereich",
    part_protocols: "die Liste der Protokolle",
    part_length: "die Länge",
    part_base: "die Basis",
    not_a_keycard:
      "Das ist keine Schlüsselkarte, oder sie ist beschädigt: vielleicht fehlt ein Stück. Kopiere sie ganz, oder bitte um eine neue.",
    nothing: "Noch ist nichts da: füge eine Schlüsselkarte ein oder wähle ihre Datei aus.",
    other_version:
      "Diese Schlüsselkarte hat eine andere Version, als diese Seite kennt. Öffne eine neuere Seite, oder bitte um eine neue Schlüsselkarte.",
    udp: "Ein Browser kann nicht an {door} auf {host} anklopfen: die Tür achtet auch auf UDP, und Browser senden nur TCP. Bitte die, die den Rechner betreiben, für diese Tür protocols: [tcp] einzustellen und dir eine Schlüsselkarte fürs Handy zu geben.",
    bad_ports:
      "Ein Browser kann nicht an {door} auf {host} anklopfen: einige ihrer Ports wählt kein Browser an. Bitte die, die den Rechner betreiben, um eine Schlüsselkarte fürs Handy.",
    wrong_passphrase: "Das ist nicht die Passphrase. Versuche es noch einmal; Groß- und Kleinschreibung zählt.",
    entry_damaged:
      "Was dieses Gerät aufbewahrt hat, ist beschädigt und lässt sich nicht öffnen. Vergiss es, und füge deine Schlüsselkarten neu hinzu.",
    not_kept:
      "Dieser Browser bewahrt für diese Seite nichts auf, vielleicht weil das Fenster privat ist. Du kannst jetzt anklopfen; die Schlüsselkarte ist fort, sobald die Seite geschlossen wird.",
    too_short: "Die Passphrase ist zu kurz: mindestens {least} Zeichen.",
    unequal: "Die beiden Passphrasen sind verschieden.",
    unreadable: "Die Datei lässt sich nicht lesen.",
    insecure:
      "Diese Seite kam über eine ungeschützte Verbindung und kann nicht anklopfen. Öffne sie über https:// oder aus einer Datei.",
    unexpected: "Das ging nicht ({error}).",
    sure_remove: "Die Schlüsselkarte für {door} auf {host} von diesem Gerät entfernen?",
    sure_forget: "Alle Schlüsselkarten auf diesem Gerät vergessen? Von hier aus lassen sie sich nicht zurückholen.",
    yes_remove: "Entfernen",
    yes_forget: "Vergessen",
    no: "Behalten",
    about: "Was diese Seite tut",
    about_knock:
      "Sie öffnet nacheinander Verbindungen zu einigen Ports des Rechners und gibt jede sofort wieder auf. Welche es sind, folgt aus deiner Schlüsselkarte und der Zeit, wechselt alle 30 Sekunden und gilt einmal. Der Rechner lässt die Adresse, von der du kommst, eine Weile ein.",
    about_keep:
      "Deine Schlüsselkarte verlässt dieses Gerät nie. Sie liegt verschlüsselt unter deiner Passphrase (AES-GCM, PBKDF2 mit {count} Runden). Die Seite lädt nichts nach, zählt niemanden und erzählt keinem Server etwas.",
    about_not:
      "Sie ist eine Schutzschicht unter mehreren. Wer deine öffentliche Adresse teilt, etwa im selben WLAN, teilt deinen Zugang: die Anmeldung am Dienst selbst muss stark bleiben.",
    minutes: "{n} Minuten",
    seconds_long: "{n} Sekunden",
    hours: "{n} Stunden",
    days: "{n} Tage",
  },
};

const LANGUAGE = "portress-language"; // in localStorage: what was chosen by hand

/** @type {string} */
let language = firstLanguage();

function firstLanguage() {
  try {
    const chosen = localStorage.getItem(LANGUAGE);
    if (chosen && chosen in WORDS) return chosen;
  } catch {
    // nothing is kept for this page: the browser's languages decide
  }
  const wanted = navigator.languages ?? [navigator.language];
  return wanted.map((name) => name.slice(0, 2).toLowerCase()).find((name) => name in WORDS) ?? "en";
}

/** @param {string} chosen `en` or `de` */
function speak(chosen) {
  language = chosen;
  try {
    localStorage.setItem(LANGUAGE, chosen);
  } catch {
    // it lasts as long as the page
  }
}

/** The sentence for a key. @param {string} key @param {Record<string, string | number>} [about] */
function say(key, about = {}) {
  const sentence = WORDS[language]?.[key] ?? key;
  return sentence.replace(/\{(\w+)\}/g, (_, name) => String(about[name] ?? ""));
}

/** A length of time in words, to the nearest unit that fits. @param {number} seconds */
function saySpan(seconds) {
  const off = Math.abs(seconds);
  if (off < 90) return say("seconds_long", { n: Math.round(off) });
  if (off < 5400) return say("minutes", { n: Math.round(off / 60) });
  if (off < 129_600) return say("hours", { n: Math.round(off / 3600) });
  return say("days", { n: Math.round(off / 86_400) });
}
