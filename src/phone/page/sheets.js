// What opens over the question: other answers, which other turnout, notes, settings.

import { canStayAwake, choose, setting, tone, unlock } from "./senses.js";
import { $, answerWord, aspectButtons, betweenWord, button, capital, codeOf, drawing, drawingOf, idOf, isSignal, make, observedOf, positionsOf, say, styleOf } from "./view.js";

// How many ids are offered before a search.
const OFFERED = 24;

let page;

export function begin(itsPage) {
  page = itsPage;
  $("settings").addEventListener("click", settings);
  $("sheet").addEventListener("click", (event) => {
    // Beside the sheet.
    if (event.target === $("sheet")) close();
  });
}

export function close() {
  if ($("sheet").open) $("sheet").close();
}

function open(title, ...children) {
  $("sheet").replaceChildren(
    make("h2", { id: "sheet-title", tabIndex: -1 }, capital(title)),
    make("div", { class: "sheet" }, ...children, button("whole", say("back"), close)));
  if (!$("sheet").open) $("sheet").showModal();
  $("sheet-title").focus();
}

// Gives an answer and closes the sheet.
const give = (reply, code) => () => {
  if (page.answer(reply, code)) close();
};

export function more(asked) {
  const list = ["back-and-forth", "keep-throwing"].map((code) => button("", answerWord(code), give({ throw: code }, code)));
  open(say("more"), ...list,
    button("", answerWord("note"), () => note("throw", asked)),
    button("", answerWord("skip"), give({ throw: "skip" }, "skip")),
    button("", answerWord("skip-place"), () => skipPlace("throw", asked.place)),
    button("alarmed", answerWord("stop"), () => stop("throw")));
}

export function moreOfPlace(asked) {
  open(say("more"),
    button("", answerWord("one-by-one"), give({ survey: "one-by-one" }, "one-by-one")),
    button("", answerWord("skip-place"), () => skipPlace("survey", asked.place)),
    button("whole alarmed", answerWord("stop"), () => stop("survey")));
}

// Asks once more before the sweep is ended, or the work at a decoder.
function askToStop(end, step) {
  open(step ? say("bench-stop-title") : say("stop-title"),
    ...(step?.if_stopped ?? [step ? say("bench-stop-text") : say("stop-text")]).map((text) => make("p", { class: "whole" }, text)),
    button("alarmed big whole", say("stop-yes"), end));
}

export const stop = (kind, step = null) => askToStop(give({ [kind]: "stop" }, step ? "stop-here" : "stop"), step);

// Ends the run whatever it is at, also while nothing is asked.
const stopNow = () => askToStop(() => {
  page.stop();
  close();
}, page.step);

// Which other output of a decoder acted.
export function outputs(numbers) {
  const list = numbers.map((n) => button("", `${n}`, give({ watch: { "other-output": n } }, `output ${n}`)));
  open(say("bench-which-output"), make("div", { class: "ids" }, ...list));
}

// Which half of an output is on still.
export function halves(output) {
  const saw = (half) => give({ watch: { acted: { half, stays_on: true } } }, `${half}-stays-on`);
  open(say("bench-which-half", { n: output }), make("p", { class: "whole" }, say("bench-burns")), ...["straight", "diverging"].map((half) => button(`big ${half}`, answerWord(half), saw(half))));
}

function skipPlace(kind, place) {
  open(say("skip-place-title", { place: place || say("no-place") }),
    button("alarmed big whole", say("skip-place-yes"), give({ [kind]: "skip-place" }, "skip-place")));
}

export function note(kind, asked) {
  const text = make("textarea", { rows: 3, maxLength: 600, id: "note-text" });
  const photo = make("input", { maxLength: 100, id: "note-photo", autocomplete: "off" });
  const keep = () => {
    const written = { text: text.value.trim(), photo: photo.value.trim() };
    if (!written.text && !written.photo) text.focus();
    else if (page.answer({ [kind]: { note: written } }, "note")) close();
  };
  open(say("note-title", { id: idOf(asked) }),
    make("label", { htmlFor: "note-text" }, say("note-text"), text),
    make("label", { htmlFor: "note-photo" }, say("note-photo"), photo),
    button("whole sure", say("note-save"), keep));
  text.focus();
}

// Which others moved, the likeliest first.
export function another(asked) {
  const picked = new Set();
  const list = make("div", { class: "ids" });
  const filter = make("input", { id: "which-filter", type: "search", autocomplete: "off", oninput: offer });
  const next = button("whole sure", say("which-next"), () => itself(asked, [...picked]));
  function offer() {
    const wanted = filter.value.trim().toLowerCase();
    const fits = (id) => id.toLowerCase().includes(wanted);
    const offered = asked.near.filter((id) => picked.has(id) || fits(id)).slice(0, OFFERED + picked.size);
    list.replaceChildren(...offered.map((id) => {
      const one = make("button", { type: "button", "aria-pressed": String(picked.has(id)) }, id);
      one.addEventListener("click", () => {
        if (!picked.delete(id)) picked.add(id);
        one.setAttribute("aria-pressed", String(picked.has(id)));
        next.disabled = picked.size === 0;
      });
      return one;
    }));
  }
  offer();
  next.disabled = true;
  const search = make("label", { htmlFor: "which-filter" }, say("which-filter"), filter);
  open(say("which-other"), list, asked.near.length > OFFERED ? search : "",
    next, button("whole", say("which-unknown"), () => itself(asked, [])));
}

function itself(asked, others) {
  const saw = (observed, code) => give({ throw: { seen: { observed, others } } }, code);
  const lies = asked.positions ? positionsOf(asked) : ["straight", "diverging"];
  const list = isSignal(asked)
    ? aspectButtons(asked, "", saw)
    : [...lies.map((name) => button(styleOf(name), answerWord(name), saw(observedOf(name), codeOf(name)), drawingOf(asked, name))),
      button("whole", answerWord("between"), saw("between", "between"), drawing(asked.shape, "between"))];
  const between = isSignal(asked) && betweenWord(asked);
  if (between) list.push(button("", between, saw("between", "between")));
  const still = isSignal(asked) ? say("answer-no-change") : say("did-not-move");
  open(say("which-itself", { id: idOf(asked) }), button("whole big", still, saw("another", "another")), ...list);
}

function settings() {
  const state = (name, word) => `${word}: ${setting(name) === "on" ? say("on") : say("off")}`;
  const toggle = (name, word) => button("whole", state(name, word), (pressed) => {
    choose(name, setting(name) === "on" ? "off" : "on");
    pressed.lastElementChild.textContent = state(name, word);
    unlock();
    tone("tap");
  });
  const themes = { auto: say("theme-auto"), dark: say("theme-dark"), light: say("theme-light") };
  const theme = () => `${say("theme")}: ${themes[setting("theme")]}`;
  const nextTheme = { auto: "dark", dark: "light", light: "auto" };
  open(say("settings"),
    toggle("sound", say("sound")),
    toggle("buzz", say("buzz")),
    button("whole", theme(), (pressed) => {
      choose("theme", nextTheme[setting("theme")]);
      pressed.lastElementChild.textContent = theme();
    }),
    make("p", { class: "whole" }, canStayAwake() ? say("awake-yes") : say("awake-no")),
    button("whole alarmed", answerWord(page.step ? "stop-here" : "stop"), stopNow));
}
