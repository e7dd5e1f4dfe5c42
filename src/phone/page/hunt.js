// What is asked of whoever watches a thing whose address is looked for, and how it ended.

import { answerWord, button, capital, make, say } from "./view.js";

const stop = (kind, page) => button("", answerWord("stop-here"), () => page.sheets.stop(kind, { if_stopped: [say("hunt-stop-text")] }));

export function hunt(asked, page) {
  const { question: number, thing, target, addresses, runs, sent, throwing = false } = asked;
  const isAlone = sent !== null;
  const thrown = addresses === 1 ? say("hunt-one", { runs }) : say("hunt-many", { n: addresses, runs });
  const others = (page.progress.hunt?.will_move ?? []).filter((id) => id !== target);
  page.heading("", target ?? say("hunt-question", { n: number }), [isAlone ? say("hunt-alone", { runs }) : thrown],
    isAlone ? say("hunt-ask-lies", { thing }) : throwing ? say("hunt-watch", { thing }) : say("hunt-ask", { thing }),
    others.length ? say("hunt-others", { ids: others.join(", ") }) : "");
  const give = (reply, code) => (pressed) => page.answer({ hunt: reply }, code, pressed);
  const plainly = (style, code) => button(style, answerWord(code), give(code, code));
  const moved = isAlone
    ? [
      button("big half straight", say("hunt-lies-straight"), give({ lies: "straight" }, "straight")),
      button("big half diverging", say("hunt-lies-diverging"), give({ lies: "diverging" }, "diverging")),
    ]
    : [plainly("big whole sure", "moved")];
  // What is thrown still may move it yet.
  const rest = [plainly("big whole", "did-not-move"), plainly("whole", "not-sure")];
  for (const one of rest) one.disabled = throwing;
  page.answers("", ...moved, ...rest);
  page.more(plainly("", "again"), stop("hunt", page));
}

// It may move one way only: then it has to be laid back by hand.
export function layBack(asked, page) {
  const { thing, target, why } = asked;
  const isDoubted = why === "doubted";
  page.heading("", target ?? say("hunt-by-hand"), [""],
    say(`hunt-back-${why}`, { thing }), { doubted: say("hunt-doubted-why"), never: say("hunt-never-why") }[why] ?? "");
  const give = (code) => (pressed) => page.answer({ "lay-back": code }, code, pressed);
  page.answers("task",
    button("big whole sure done", why === "never" ? say("hunt-turned-done") : say("hunt-laid-done"), give("done")),
    button("big whole", isDoubted ? say("hunt-laid-not") : answerWord("cannot"), give("cannot")));
  page.more(stop("lay-back", page));
}

// What it came to, and what to do now.
export function hunted(progress, page) {
  const { outcome, found = [], numberings = [], questions, advice = [] } = progress.hunted;
  const all = found.map((one) => one.address).join(", ");
  const name = numberings.length ? numberings.join(", ") : all ? capital(say("address", { n: all })) : say("hunted-nothing");
  page.heading("", name, [questions === 1 ? say("hunt-asked-one") : say("hunt-asked", { n: questions })], say(`hunted-${outcome}`), say("hunt-close"));
  const list = advice.map((text) => make("li", {}, text));
  page.answers("listed", make("div", { class: "sum" }, ...(list.length ? [make("h2", {}, say("taught-next")), make("ul", {}, ...list)] : [])));
  page.more();
}

// The header: which question it is, and how many addresses are left.
export function huntProgress({ question, at_most: atMost, left }) {
  const n = Math.max(1, question);
  return {
    place: n <= atMost ? say("hunt-question-of", { n, total: atMost }) : say("hunt-question", { n }),
    tally: left > 1 ? say("hunt-left", { n: left }) : left === 1 ? say("hunt-left-one") : "",
    value: Math.min(n, atMost),
    max: Math.max(1, atMost),
  };
}
