// What is on the screen: each kind of question, its answers, and the end.

import { task, watch } from "./bench.js";
export { toldWord } from "./diagnosis.js";
import { diagnosed, diagnosis, diagnosisProgress } from "./diagnosis.js";
import { hunt, huntProgress, hunted, layBack } from "./hunt.js";
import { survey } from "./survey.js";

export const $ = (id) => document.getElementById(id);

// An element with properties, and children that are elements or text.
export function make(tag, properties = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (name === "class") element.className = value;
    else if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name.includes("-")) element.setAttribute(name, value);
    else element[name] = value;
  }
  element.append(...children.filter((child) => child !== null));
  return element;
}

let words = {};
let drawings = {};

export function learn(itsWords, itsDrawings) {
  words = itsWords;
  drawings = itsDrawings;
}

// A text of the page, with its places filled in.
export function say(name, values = {}) {
  const text = words[name] ?? name;
  return text.replace(/\{(\w+)\}/g, (place, key) => values[key] ?? place);
}

export const idOf = (sight) => sight.turnout ?? sight.signal ?? sight.decoder ?? "";
export const isSignal = (sight) => sight.signal !== undefined;

// The word for an answer's code; an aspect has its own name, an output its number.
export function answerWord(code) {
  const output = /^output (\d+)$/.exec(code);
  if (output) return say("answer-output", { n: output[1] });
  return words[`answer-${code}`] ?? code.replace(/^aspect /, "");
}
const positionWord = (name) => words[`lies-${name}`] ?? name;

// An SVG as an element. What it shows stands beside it in words.
export function image(text) {
  const element = new DOMParser().parseFromString(text, "image/svg+xml").documentElement;
  element.setAttribute("aria-hidden", "true");
  return document.importNode(element, true);
}

// The drawing of a shape as it lies.
export function drawing(shape, lies) {
  const text = drawings[shape]?.[lies];
  return text ? image(text) : null;
}

const positionOf = (asked, name) => asked.positions?.find((one) => one.name === name);

// The drawing of a position, of a turnout with one drive or several.
export function drawingOf(asked, name) {
  const route = positionOf(asked, name)?.route;
  if (!asked.positions) return drawing(asked.shape, name);
  return drawing(asked.shape, `set-${route}`) ?? drawing(asked.shape, route);
}

// What is sent for it.
export const observedOf = (name) => (["straight", "diverging"].includes(name) ? name : { aspect: name });
export const codeOf = (name) => (["straight", "diverging"].includes(name) ? name : `aspect ${name}`);

// How it is coloured.
export const styleOf = (name) => (name === "straight" ? "straight" : "diverging");

// The positions of a turnout with several drives, as they lie on the layout: left, middle, right.
export function positionsOf(asked) {
  const order = ["left", "straight", "right"];
  const at = (one) => order.indexOf(one.route);
  const all = [...asked.positions];
  return (all.length === 3 && all.every((one) => at(one) >= 0) ? all.sort((a, b) => at(a) - at(b)) : all).map((one) => one.name);
}

// The lamps of a signal at one of its aspects; what they show stands below as words.
export function lamps(asked, index) {
  const face = asked.faces?.[index];
  return face ? image(face.svg) : null;
}

// A button for each aspect, with its lamps and what they are in words.
export function aspectButtons(asked, style, give) {
  return asked.aspects.map((name, index) => {
    const word = asked.sort === "uncoupler" ? answerWord(`aspect ${name}`) : name;
    const one = button(style, word, give({ aspect: name }, `aspect ${name}`), lamps(asked, index));
    const face = asked.faces?.[index];
    if (face) one.append(make("small", {}, face.words));
    return one;
  });
}

// What gates and uncouplers can be besides: half-way, or still up. Nothing for others.
export function betweenWord(asked) {
  if (asked.sort === "uncoupler") return say("answer-stays-up");
  return asked.sort === "gates" ? answerWord("between") : "";
}

export const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

export function button(style, text, press, image = null) {
  return make("button", { type: "button", class: style, onclick: (event) => press(event.currentTarget) }, image, make("span", {}, capital(text)));
}

function heading(place, id, sent, ask, hint) {
  $("id").textContent = id;
  $("sent").replaceChildren(...sent);
  $("ask").textContent = ask;
  $("hint").textContent = hint;
  $("main").dataset.place = place;
}

const address = (asked) => {
  const all = [asked.address, ...(asked.more_addresses ?? [])].join(", ");
  return asked.address ? ` · ${say("address", { n: all })}` : "";
};

// Where it was sent, unless that is hidden until the answer is in.
function sent(asked, isHidden) {
  if (isHidden) return [say("sent-hidden"), address(asked)];
  const [before, after] = say("sent", { position: "\u0000" }).split("\u0000");
  return [before, make("b", {}, positionWord(asked.commanded)), after, address(asked)];
}

const seen = (observed, others = []) => ({ throw: { seen: { observed, others } } });

function answers(style, ...children) {
  $("answers").className = `answers ${style}`;
  $("answers").replaceChildren(...children);
}

function more(...children) {
  $("more").replaceChildren(...children);
}

function thrown(asked, page) {
  const id = idOf(asked);
  const ask = isSignal(asked) ? say(`ask-${asked.sort}`) : say("ask-turnout");
  const first = isSignal(asked) && asked.step === "prime";
  heading(asked.place, id, sent(asked, page.isBlind), ask, first ? say("step-prime-signal") : say(`step-${asked.step}`));
  const give = (observed, code) => (pressed) => page.answer(seen(observed), code, pressed);
  const another = (code) => button("", answerWord(code), () => page.sheets.another(asked));
  if (isSignal(asked)) {
    const aspects = aspectButtons(asked, "big half", give);
    const between = betweenWord(asked);
    if (between) aspects.push(button("big half", between, give("between", "between")));
    const still = between ? answerWord("no-movement") : say("answer-no-change");
    answers("listed", ...aspects, button("half", still, give("no-movement", "no-movement")), another("another-changed"));
    $("answers").lastElementChild.className = "half";
    if (aspects.length % 2) aspects.at(-1).className = "big whole";
  } else if (asked.positions) {
    const names = positionsOf(asked);
    const width = names.length % 2 ? "" : "half";
    const sides = names.map((name) => button(`big ${width} ${styleOf(name)}`, answerWord(name), give(observedOf(name), codeOf(name)), drawingOf(asked, name)));
    answers("several", ...sides,
      button("", answerWord("no-movement"), give("no-movement", "no-movement")),
      button("", answerWord("between"), give("between", "between")),
      another("another"));
  } else {
    const side = (name) => button(`big half ${name}`, answerWord(name), give(name, name), drawing(asked.shape, name));
    // As they lie on the layout: what diverges to the left is drawn on the left.
    const sides = asked.shape === "right" ? ["straight", "diverging"] : ["diverging", "straight"];
    if (asked.shape === "wye") sides.reverse();
    answers("", ...sides.map(side),
      button("", answerWord("no-movement"), give("no-movement", "no-movement")),
      button("", answerWord("between"), give("between", "between")),
      another("another"));
  }
  more(
    button("", answerWord("repeat"), (pressed) => page.answer({ throw: "repeat" }, "repeat", pressed)),
    button("", answerWord("undo"), (pressed) => page.answer({ throw: "undo" }, "undo", pressed)),
    button("", `${say("more")} …`, () => page.sheets.more(asked)));
}

function byHand(asked, page) {
  const position = positionWord(asked.position);
  heading(asked.place, idOf(asked), [address(asked).slice(3)], say("hand-ask", { position }), "");
  answers("",
    button(`big whole ${asked.position}`, say("hand-yes", { position }),
      (pressed) => page.answer({ hand: "laid" }, "laid", pressed), drawing(asked.shape, asked.position)),
    button("whole", say("hand-no"), (pressed) => page.answer({ hand: "not-laid" }, "not-laid", pressed)));
  more(button("", answerWord("stop"), () => page.sheets.stop("hand")));
}

function closer(asked, page) {
  heading(asked.place, idOf(asked), [say("look-ask"), address(asked)], asked.question, "");
  const give = (code) => (pressed) => page.answer({ look: code }, code, pressed);
  answers("",
    button("big half sure", answerWord("good"), give("good")),
    button("big half alarmed", answerWord("bad"), give("bad")));
  more(
    button("", answerWord("keep-throwing"), give("keep-throwing")),
    button("", answerWord("later"), give("later")),
    button("", answerWord("note"), () => page.sheets.note("look", asked)),
    button("", answerWord("stop"), () => page.sheets.stop("look")));
}

function repeating(asked, page) {
  heading(asked.place, idOf(asked), sent(asked, false), say("repeating-ask"), "");
  const side = styleOf(asked.commanded);
  const word = make("small", {}, page.isEnding ? say("ending") : positionWord(asked.commanded));
  const known = $("answers").querySelector(".enough");
  if (known) {
    // The same button all along: it may be pressed at any time.
    known.className = `big whole enough ${side}`;
    known.querySelector("small").replaceWith(word);
    const image = drawingOf(asked, asked.commanded);
    if (image) known.querySelector("svg")?.replaceWith(image);
    return;
  }
  const enough = button(`big whole enough ${side}`, say("enough"), () => page.enough(idOf(asked)), drawingOf(asked, asked.commanded));
  enough.append(word);
  answers("", enough);
  more();
}

const KINDS = { throw: thrown, hand: byHand, look: closer, repeating, survey, task, watch, hunt, "lay-back": layBack, diagnosis };

// Asked of whoever stands at a decoder, step by step.
export const isStep = (asked) => asked.kind === "task" || asked.kind === "watch";

// Shows a question. What is on the screen stays in place between one and the next.
export function showQuestion(asked, page) {
  $("main").className = { survey: "surveyed", task: "step tasked", watch: "step", hunt: "step tasked", "lay-back": "step tasked", diagnosis: `step tasked asking ${asked.stage}` }[asked.kind] ?? "";
  KINDS[asked.kind](asked, { ...page, heading, answers, more });
}

// Nothing was asked yet.
export function showStart() {
  heading("", "…", [""], "", "");
  answers("");
  more();
}

export function showShut() {
  heading("", "…", [""], say("shut"), "");
  answers("");
  more();
}

// How giving a decoder its address ended, and what is left to do.
function showTaught(progress) {
  const { decoder, outcome, amiss = [], next = [] } = progress.taught;
  heading("", decoder, [""], say(`taught-${outcome}`), say("taught-close"));
  const list = (title, texts) => (texts.length ? [make("h2", {}, title), make("ul", {}, ...texts.map((text) => make("li", {}, text)))] : []);
  answers("listed", make("div", { class: "sum" }, ...list(say("taught-amiss"), amiss), ...list(say("taught-next"), next)));
  more();
}

export function showEnd(progress) {
  if (progress.taught) {
    $("main").className = "ended";
    return showTaught(progress);
  }
  if (progress.hunted) {
    $("main").className = "ended";
    return hunted(progress, { heading, answers, more });
  }
  if (progress.diagnosis) {
    $("main").className = "ended asking";
    return diagnosed(progress, { heading, answers, more });
  }
  const { ended } = progress;
  const stopped = ended.stopped === "link" ? say("ended-failed") : say("ended-stopped");
  heading("", ended.stopped ? stopped : say("ended"), [progress.layout], counts(progress).join(" · "), say("ended-close"));
  $("main").className = "ended";
  const rows = (pairs) => make("dl", {}, ...pairs.flatMap(([name, value]) => [make("dt", {}, name), make("dd", {}, value)]));
  const verdicts = Object.entries(progress.verdicts).map(([name, n]) => [say(`verdict-${name}`), `${n}`]);
  const places = progress.places.filter((place) => place.total).map((place) => [
    place.name || say("no-place"),
    place.failed ? say("place-failed", place) : say("place-count", place),
  ]);
  answers("listed", make("div", { class: "sum" },
    make("h2", {}, say("verdicts")), rows(verdicts), make("h2", {}, say("places")), rows(places)));
  more();
}

// `12 proved`, `1 failed`: the verdicts so far.
function counts(progress) {
  const of = (names) => names.reduce((sum, name) => sum + (progress.verdicts[name] ?? 0), 0);
  const failed = of(["reversed", "still", "one-way", "partial", "stray"]);
  const list = [say("count-proved", { n: of(["proved"]) })];
  if (failed) list.push(say("count-failed", { n: failed }));
  if (of(["skipped"])) list.push(say("count-skipped", { n: of(["skipped"]) }));
  if (progress.ended?.unreached) list.push(say("ended-unreached", { n: progress.ended.unreached }));
  return list;
}

function left(seconds) {
  const minutes = Math.max(1, Math.round(seconds / 60));
  if (minutes < 60) return say("left-minutes", { n: minutes });
  return say("left-hours", { h: Math.floor(minutes / 60), n: minutes % 60 });
}

// The header: how far this place is, how far all is.
export function showProgress(progress, place) {
  if (progress.taught) {
    $("place").textContent = progress.layout;
    $("tally").textContent = "";
    if (progress.taught.outcome === "proved") $("bar").value = $("bar").max;
    return;
  }
  const isProof = progress.diagnosis?.proves?.length && !progress.diagnosis.proved;
  if (progress.hunt || (progress.diagnosis && !isProof)) {
    const { place: name, tally, value, max } = progress.hunt ? huntProgress(progress.hunt) : diagnosisProgress(progress.diagnosis);
    $("place").textContent = name;
    $("tally").textContent = tally;
    $("bar").max = max;
    $("bar").value = progress.hunted ? max : value;
    $("bar").setAttribute("aria-label", name);
    return;
  }
  const here = progress.places.find((one) => one.name === place);
  const name = place || (here ? say("no-place") : progress.layout);
  $("place").textContent = isProof ? say("diagnosis-proving", { ids: progress.diagnosis.proves.join(", ") }) : here ? `${name}: ${say("progress", here)}` : name;
  const list = counts({ ...progress, ended: null });
  const seconds = progress.left_s;
  if (seconds && !progress.ended) list.push(left(seconds));
  $("tally").textContent = list.join(" · ");
  $("bar").max = Math.max(1, progress.total);
  $("bar").value = progress.done;
  $("bar").setAttribute("aria-label", say("progress-label", progress));
}

// The header at a decoder: which step it is.
export function showStep(asked) {
  const { step, steps, decoder, place } = asked;
  $("place").textContent = say("bench-step", { n: step, total: steps });
  $("tally").textContent = place ? say("bench-at", { id: decoder, place }) : decoder;
  $("bar").max = steps;
  $("bar").value = step;
  $("bar").setAttribute("aria-label", say("bench-step", { n: step, total: steps }));
}

export function showStatus(text, isAlarm) {
  const status = $("status");
  if (status.textContent !== text) status.textContent = text;
  status.classList.toggle("alarm", isAlarm);
}
