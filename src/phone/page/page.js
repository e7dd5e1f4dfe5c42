// Follows the program's scene and hands in answers.

import { Delivery } from "./delivery.js";
import { buzz, paint, stayAwake, tone, unlock } from "./senses.js";
import * as sheets from "./sheets.js";
import * as view from "./view.js";

const { $, say } = view;

// A tap that was meant for the question before must not answer this one, milliseconds.
const INERT = 250;

// A stream that is silent for so long is dead; the program gives a sign every ten seconds.
const SILENT = 25000;

// After the end of a sweep more may come, within milliseconds.
const MORE_COMES = 400;

const tab = Math.random().toString(36).slice(2);

paint();

let scene = null;
// The question on the screen, and since when.
let shown = { key: "", number: 0, at: 0 };
let pressedAt = 0;
let enoughOf = null;
let isLost = false;
let isShut = false;
let isOver = false;
let doneAt = 0;
// What is said until the next question has its answer.
let news = { text: "", isAlarm: false };
let ownNumbers = new Set();

const delivery = new Delivery(told, (pending) => {
  if (pending) pending.isSlow = true;
  status();
});

const isOpen = () => scene?.asked && !delivery.pending && !isShut;

// Whether what is pressed now was meant for the question that is shown.
const mayPress = () => isOpen() && Math.min(pressedAt, performance.now()) >= shown.at + INERT;

function felt(code) {
  unlock();
  buzz(code === "diverging" ? [30, 40, 30] : 30);
  tone(code === "straight" || code === "diverging" ? code : "tap");
}

const page = {
  sheets,
  mayPress,
  felt,
  isBlind: false,
  isEnding: false,
  // What is asked at a decoder, or was last.
  step: null,
  // Gives an answer to the question on the screen; says whether it was taken on.
  answer(reply, code, pressed) {
    if (!mayPress() || scene.asked.number !== shown.number) return false;
    felt(code);
    pressed?.classList.add("chosen");
    const about = view.idOf(scene.asked) || scene.asked.place || scene.asked.thing;
    ownNumbers.add(scene.asked.number);
    delivery.send(scene.session, scene.asked.number, reply, view.answerWord(code), about);
    close();
    return true;
  },
  // Shows the next part of the question, which is not to be answered by the same tap.
  turn(asked) {
    const hadFocus = document.activeElement?.closest("main");
    shown.at = performance.now();
    view.showQuestion(asked, page);
    scrollTo(0, 0);
    if (hadFocus) $("id").focus({ preventScroll: true });
    tone("question");
    close();
  },
  // Ends the sweep at once, whether anything is asked or not.
  async stop() {
    felt("tap");
    const headers = { "Content-Type": "application/json" };
    const post = () => fetch("/stop", { method: "POST", headers, body: "{}", signal: AbortSignal.timeout(4000) });
    const answer = await post().catch(() => post()).catch(() => null);
    if (answer?.ok) return;
    news = { text: say("stop-failed"), isAlarm: true };
    tone("alarm");
    status();
  },
  // It is thrown again and again, each time as another question: the wish holds until it is met.
  enough(id) {
    felt("tap");
    enoughOf = id;
    show();
  },
};

sheets.begin(page);

// When the finger came down, for a tap; now, for a key.
addEventListener("pointerdown", () => { pressedAt = performance.now(); }, true);
addEventListener("keydown", () => { pressedAt = performance.now(); }, true);

// Shows whether answers are taken.
function close() {
  $("answers").classList.toggle("closed", !isOpen());
  status();
}

function status() {
  const { pending } = delivery;
  if (isShut) view.showStatus(say("shut"), true);
  else if (pending && (isLost || pending.isSlow)) view.showStatus(say("undelivered", { answer: `${pending.about}: ${pending.name}` }), true);
  else if (isLost) view.showStatus(say("lost"), true);
  else if (!scene) view.showStatus(say("loading"), false);
  else if (scene.progress.waiting) view.showStatus(say("waiting", { reason: scene.progress.waiting }), true);
  else if (news.isAlarm) view.showStatus(news.text, true);
  else if (scene.coming && !isDone()) view.showStatus(say("bench-sending"), false);
  else if (scene.asked?.throwing && isOpen()) view.showStatus(say("hunt-throwing"), false);
  else if (isThinking()) view.showStatus(say("diagnosis-thinking"), false);
  else if (!scene.asked && !isDone()) view.showStatus(shown.key ? say("throwing") : say("starting"), false);
  else view.showStatus(news.text || scene.progress.layout, false);
}

const byWord = (by) => (by === "phone" ? say("by-phone") : by === "terminal" ? say("by-terminal") : say("by-other"));

// What became of an answer.
function told(pending, outcome) {
  const { about, name } = pending;
  if (outcome.status === "shut") return shut();
  if (outcome.status === "taken") {
    news = { text: say("taken", { about, answer: name }), isAlarm: false };
  } else {
    ownNumbers.delete(pending.number);
    const first = outcome.answered;
    const why = {
      answered: first
        ? say("why-answered", { answer: `${view.answerWord(first.reply)}, ${byWord(first.by)}` })
        : say("why-elsewhere"),
      withdrawn: say("why-withdrawn"),
      restarted: say("why-restarted"),
      "does-not-fit": say("why-does-not-fit"),
    }[outcome.status];
    // Nothing is wrong where "enough" came between two throws: it is said again.
    if (pending.reply.repeating !== "enough") {
      news = { text: say("did-not-count", { about, answer: name, why: why ?? "" }), isAlarm: true };
      tone("alarm");
      // The same question may be open still.
      shown.key = "";
    }
  }
  show();
}

function shut() {
  isShut = true;
  stream?.close();
  stayAwake(false);
  sheets.close();
  view.showShut();
  // No question of that program is open on this page any more.
  $("main").dataset.number = 0;
  status();
}

// An answer that came from elsewhere.
function notice(before) {
  const { answered } = scene;
  if (!answered || !before || before.session !== scene.session) return;
  if (answered.number === before.answered?.number || ownNumbers.has(answered.number)) return;
  const open = before.asked?.number === answered.number ? before.asked : null;
  const answer = view.toldWord(open, answered.reply) ?? view.answerWord(answered.reply);
  news = { text: say("taken-by", { about: answered.about, answer, by: byWord(answered.by) }), isAlarm: false };
}

function take(next) {
  const before = scene;
  scene = next;
  if (before && before.session !== scene.session) {
    shown = { key: "", number: 0, at: 0 };
    ownNumbers = new Set();
    enoughOf = null;
    // That an answer did not count is said already, and says more.
    if (!news.isAlarm) news = { text: say("restarted"), isAlarm: false };
  }
  notice(before);
  show();
}

// All is told that will be. Something may come after the end of a sweep as long as the program runs.
const isDone = () => Boolean(scene && !scene.asked && ((scene.progress.ended && (isOver || !scene.progress.goes_on)) || scene.progress.taught || scene.progress.hunted || (isOver && scene.progress.diagnosis)));

// Whether nothing more comes after the end of a sweep: an offer would by now.
function isEndClear() {
  doneAt ||= performance.now();
  return isOver || performance.now() >= doneAt + MORE_COMES - 10;
}

// A diagnosis may work a while on what to ask next; it throws only when somebody is ready.
function isThinking() {
  const { diagnosis, ended, goes_on: goesOn } = scene.progress;
  return !scene.asked && !isOver && (goesOn || (diagnosis && !diagnosis.came && !ended));
}

function show() {
  if (isShut || !scene) return;
  const { asked, progress } = scene;
  page.isBlind = scene.blind === true;
  page.progress = progress;
  page.session = scene.session;
  if (!isDone()) doneAt = 0;
  if (isDone() && isEndClear()) {
    sheets.close();
    view.showEnd(progress);
  } else if (isDone()) {
    setTimeout(show, MORE_COMES);
  } else if (asked) {
    if (!shown.key) performance.mark("question");
    showQuestion(asked);
  } else if (scene.coming) {
    showComing({ kind: "watch", isComing: true, ...scene.coming });
  } else if (!shown.key) {
    view.showStart();
  }
  if (isDone() || (asked && !view.isStep(asked))) page.step = null;
  document.body.classList.toggle("stepwise", page.step !== null);
  if (page.step) view.showStep(page.step);
  else view.showProgress(progress, $("main").dataset.place ?? "");
  $("main").dataset.number = asked?.number ?? 0;
  stayAwake(Boolean(asked));
  close();
}

// An output is commanded in a moment: all that is asked then, not to be answered yet.
function showComing(coming) {
  const key = `coming ${JSON.stringify(coming)}`;
  if (key === shown.key) return;
  sheets.close();
  shown = { key, number: 0, at: performance.now() };
  page.step = coming;
  view.showQuestion(coming, page);
  scrollTo(0, 0);
  tone("look");
}

function showQuestion(asked) {
  if (view.isStep(asked)) page.step = asked;
  const isSame = shown.number === asked.number && shown.key;
  if (asked.kind !== "repeating") enoughOf = null;
  page.isEnding = enoughOf !== null;
  const key = asked.kind === "repeating" ? `repeating ${view.idOf(asked)}` : `${asked.number} ${asked.throwing === true}`;
  const isNew = key !== shown.key;
  if (isSame && !isNew && asked.kind !== "repeating") return;
  if (isNew) {
    // Whoever goes by keys, or listens, is brought to what is new.
    const hadFocus = document.activeElement?.closest("main, dialog");
    sheets.close();
    shown = { key, number: asked.number, at: performance.now() };
    view.showQuestion(asked, page);
    scrollTo(0, 0);
    if (hadFocus) $("id").focus({ preventScroll: true });
    tone("question");
  } else {
    shown.number = asked.number;
    view.showQuestion(asked, page);
  }
  if (asked.kind === "repeating") {
    if (!isSame) tone(asked.commanded);
    if (enoughOf === view.idOf(asked) && !delivery.pending) {
      ownNumbers.add(asked.number);
      delivery.send(scene.session, asked.number, { repeating: "enough" }, view.answerWord("enough"), enoughOf);
    }
  }
}

let stream = null;
let silence = 0;
let again = 0;
let farewells = 0;

function alive() {
  clearTimeout(silence);
  silence = setTimeout(broken, SILENT);
  if (isLost) {
    isLost = false;
    status();
  }
}

// Follows the program while the page is seen. A page that is not seen leaves the phone's few
// connections to others.
function follow() {
  clearTimeout(again);
  stream?.close();
  if (isShut || isOver || document.visibilityState === "hidden") return;
  stream = new EventSource(`/events?tab=${tab}`);
  stream.addEventListener("scene", async (event) => {
    alive();
    await learned;
    take(JSON.parse(event.data));
    delivery.retry();
  });
  stream.addEventListener("beat", alive);
  stream.addEventListener("end", async () => {
    // Nothing more comes.
    isOver = true;
    stream.close();
    clearTimeout(silence);
    await learned;
    show();
    status();
  });
  stream.addEventListener("error", broken);
}

// The stream is gone: because the program is, or the connection, or because it does not let this
// phone in any more.
async function broken() {
  stream?.close();
  clearTimeout(silence);
  clearTimeout(again);
  if (isOver || isShut || document.visibilityState === "hidden") return;
  // The program may have ended without a word, and has told all.
  if (isDone()) farewells += 1;
  else isLost = true;
  isOver = farewells > 3;
  status();
  try {
    const answer = await fetch("/scene", { signal: AbortSignal.timeout(4000) });
    if (answer.status === 401) return shut();
    if (answer.ok) return follow();
  } catch {
    // Not yet.
  }
  clearTimeout(again);
  again = setTimeout(broken, 1500);
}

addEventListener("online", follow);
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "hidden") stream?.close();
  else if (isOver) lookAgain();
  else follow();
});

// The run was over when the page was last seen; it may be carried on since.
async function lookAgain() {
  const answer = await fetch("/scene").catch(() => null);
  if (answer?.ok && (await answer.json()).session !== scene.session) location.reload();
}

// The link was opened again: the key goes from the address bar, and lets in a phone that was shut
// out.
async function enter() {
  const key = location.hash.slice(1);
  if (!key) return;
  history.replaceState(null, "", "/");
  if (!isShut) return;
  const headers = { "Content-Type": "application/json" };
  const answer = await fetch("/enter", { method: "POST", headers, body: JSON.stringify({ key }) });
  if (answer.ok) location.reload();
}

addEventListener("hashchange", enter);

async function learn() {
  const load = async (path) => {
    const answer = await fetch(path);
    if (!answer.ok) throw new Error(path);
    return answer.json();
  };
  const [words, drawings] = await Promise.all([load("/words.json"), load("/drawings.json")]);
  view.learn(words, drawings);
  document.documentElement.lang = words.lang;
  document.title = say("title");
  for (const element of document.querySelectorAll("[data-label]")) {
    element.setAttribute("aria-label", say(element.dataset.label));
  }
  performance.mark("ready");
}

const learned = learn();
learned.then(status, () => setTimeout(() => location.reload(), 2000));
enter();
follow();
