// What a diagnosis asks of whoever stands at a turnout that fails, and what it came to.

import { button, make, say } from "./view.js";

const KEPT = "throwproof-parts";

// What was chosen of the parts of a question so far: kept over a reload of the page.
let chosen = { key: "", choices: [] };

function recall(key) {
  if (chosen.key === key) return;
  chosen = { key, choices: [] };
  try {
    const kept = JSON.parse(sessionStorage.getItem(KEPT));
    if (kept?.key === key) chosen = kept;
  } catch {
    // It is begun anew then.
  }
}

function keep() {
  try {
    sessionStorage.setItem(KEPT, JSON.stringify(chosen));
  } catch {
    // A reload begins the question anew.
  }
}

// The choices of all parts in words.
export const inWords = (asked, choices) => asked.parts.map((part, at) => part.choices[choices[at]] ?? "").join(", ");

// The same of an answer's code, `2 1`; an answer in one word is left as it is.
export function toldWord(asked, code) {
  if (asked?.kind !== "diagnosis" || !/^\d+( \d+)*$/.test(code)) return null;
  return inWords(asked, code.split(" ").map((number) => number - 1));
}

// A cause without a word of its own here is told by its name.
function causeWord(name) {
  const word = say(`cause-${name}`);
  return word === `cause-${name}` ? name.replaceAll("-", " ") : word;
}

// The likeliest causes so far, small.
function leading({ leading: causes = [] }) {
  if (!causes.length) return null;
  const list = causes.slice(0, 3).map(({ cause, percent }) => make("li", {}, causeWord(cause), " ", make("b", {}, say("percent", { n: percent }))));
  return make("div", { class: "leading" }, make("p", {}, say("diagnosis-leading")), make("ol", {}, ...list));
}

export function diagnosis(asked, page) {
  const { number, stage, turnout, text, mind, amiss, parts, repeats } = asked;
  const progress = page.progress.diagnosis ?? {};
  const key = `${page.session} ${number}`;
  recall(key);
  const at = Math.min(chosen.choices.length, parts.length - 1);
  const part = parts[at];
  const isHands = stage === "prepare" || stage === "put-back" || stage === "allow";
  const others = stage === "prepare" ? (progress.will_move ?? []).filter((id) => id !== turnout) : [];
  const isWhich = stage === "which";
  const still = progress.still_fail ?? [];
  const small = [still.length && stage !== "mended" && progress.test_number === 1 ? say("diagnosis-still", { ids: still.join(", ") }) : "",
    isWhich ? text : "", others.length ? say("hunt-others", { ids: others.join(", ") }) : "", stage === "showed" ? text : ""].filter(Boolean).join(" ");
  page.heading("", isWhich ? say("ended") : turnout, [small], isHands ? text : part.ask, amiss ?? (mind && at === 0 && stage !== "mended" ? say("diagnosis-mind", { text: mind }) : ""));

  function choose(choice, pressed) {
    if (!page.mayPress()) return;
    const choices = [...chosen.choices.slice(0, at), choice];
    if (choices.length < parts.length) {
      chosen = { key, choices };
      keep();
      page.felt("tap");
      page.turn(asked);
    } else if (page.answer({ diagnosis: { chosen: choices } }, inWords(asked, choices), pressed)) {
      chosen = { key: "", choices: [] };
      keep();
    }
  }

  // What is wanted is one, or the first: it is mended, they may be thrown.
  const isOne = part.choices.length === 1;
  const isFirst = isOne || stage === "mended" || stage === "allow";
  const list = part.choices.map((choice, index) => button(isOne || (isFirst && index === 0) ? "big whole sure done" : "whole choice", choice, (pressed) => choose(index, pressed)));
  const card = stage === "mended" ? [conclusion(page.progress.diagnosis)] : [];
  page.answers(isFirst || isHands ? "task" : "choices", ...card, ...list);

  const give = (reply, word) => (pressed) => page.answer({ diagnosis: reply }, word, pressed);
  const rest = [];
  if (at > 0) rest.push(button("", say("diagnosis-back"), () => {
    if (!page.mayPress()) return;
    chosen = { key, choices: chosen.choices.slice(0, at - 1) };
    keep();
    page.turn(asked);
  }));
  if (stage === "showed") {
    if (repeats) rest.push(button("", say("answer-again"), give("again", say("answer-again"))));
    rest.push(button("", say("answer-not-sure"), give("not-sure", say("answer-not-sure"))));
  }
  if (stage === "showed" || stage === "prepare") {
    const word = stage === "prepare" ? say("answer-cannot") : say("diagnosis-skip");
    rest.push(button("", word, give("skip", word)));
  }
  if (!isWhich && stage !== "mended") rest.push(button("", say("answer-stop-here"), () => page.sheets.stop("diagnosis", { if_stopped: [say("diagnosis-stop-text")] })));
  page.more(...[stage === "showed" || stage === "prepare" ? leading(progress) : null, ...rest].filter(Boolean));
}

const items = (texts) => make("ul", {}, ...texts.map((one) => make("li", {}, one)));
const list = (title, texts) => (texts?.length ? [make("h3", {}, title), items(texts)] : []);
// The reasons: whoever wants to know opens them.
const folded = (title, texts) => (texts?.length ? [make("details", {}, make("summary", {}, `${title} (${texts.length})`), items(texts))] : []);
const percentOf = (share) => Math.floor(share * 100);

// What it came to: cause, how sure, reasons, mend; or what remains, and what would part it.
function conclusion(progress) {
  const { kind, causes = [], parting, none_fits: noneFits, explains = [] } = progress.came;
  const [first, ...others] = causes;
  const card = make("section", { class: "whole conclusion" });
  if (kind === "none-fits" || !first) {
    card.append(make("h2", {}, say("diagnosis-none-fits")), make("p", {}, say("diagnosis-sure", { n: percentOf(noneFits) })));
  }
  if (first) {
    const isNamed = kind === "named";
    if (!isNamed) card.append(make("p", { class: "sure-of" }, say(`diagnosis-${kind}`)));
    for (const one of isNamed ? [first] : causes) {
      card.append(
        make("h2", {}, one.says),
        make("p", { class: "sure-of" }, say("diagnosis-sure", { n: percentOf(one.share) })),
        make("h3", {}, say("diagnosis-mend")), make("p", {}, one.mend));
      if (one === first && progress.mind) card.append(make("p", { class: "mind" }, say("diagnosis-mind", { text: progress.mind })));
      card.append(...folded(say("diagnosis-for"), one.speaks_for), ...folded(say("diagnosis-against"), one.speaks_against));
    }
    if (isNamed && others.length) {
      card.append(...list(say("diagnosis-else"), others.map((one) => `${one.says} ${say("percent", { n: percentOf(one.share) })}`)));
    }
  }
  if (parting) card.append(make("h3", {}, say("diagnosis-parting")), make("p", {}, parting.action));
  if (explains.length) card.append(make("p", {}, say("diagnosis-explains", { ids: explains.join(", ") })));
  return card;
}

// How a diagnosis ended, and what came of the proof.
export function diagnosed(progress, page) {
  const { turnout, came, proved } = progress.diagnosis;
  const ask = proved ? proved.words : came ? say(`diagnosis-${came.kind}`) : say("diagnosis-broken-off");
  const isProved = proved?.proved;
  page.heading("", turnout, [isProved ? say("diagnosis-proved") : proved ? say("diagnosis-not-proved") : ""], ask, say("hunt-close"));
  page.answers("task", ...(came && !isProved ? [conclusion(progress.diagnosis)] : []),
    ...(proved ? [make("p", { class: `whole outcome ${isProved ? "sure" : "alarmed"}` }, isProved ? say("verdict-proved") : proved.still_fail?.length ? say("diagnosis-still", { ids: proved.still_fail.join(", ") }) : say("diagnosis-not-proved"))] : []));
  page.more();
}

// The header: which test it is, and how likely the likeliest cause.
export function diagnosisProgress({ turnout, test_number: number, leading: causes = [], came, round = 1 }) {
  const percent = came?.causes?.length ? percentOf(came.causes[0].share) : causes[0]?.percent ?? 0;
  const place = say("diagnosis-why", { id: turnout });
  const tally = came ? "" : number ? say("diagnosis-test", { n: number }) : "";
  const of = round > 1 ? `${say("diagnosis-round", { n: round })} · ` : "";
  return { place, tally: of + (percent && !came ? `${tally} · ${say("diagnosis-likeliest", { n: percent })}` : tally), value: percent, max: 100 };
}
