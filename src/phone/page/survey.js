// All turnouts of a place as they lie: only those that lie otherwise are tapped.

import { answerWord, button, drawing, idOf, make, say } from "./view.js";

const NEXT = {
  straight: { straight: "diverging", diverging: "between", between: "straight" },
  diverging: { diverging: "straight", straight: "between", between: "diverging" },
};

export function survey(asked, page) {
  const { place, round, rounds, shown } = asked;
  const look = rounds > 1 ? [say("survey-round", { round, rounds })] : [""];
  page.heading(place, place || say("no-place"), look, say("survey-ask"), say("survey-hint"));
  const lies = new Map(shown.map((one) => [idOf(one), one.sent]));
  const confirm = make("button", { type: "button", class: "whole confirm big sure", onclick: send });
  const differing = () => shown.filter((one) => lies.get(idOf(one)) !== one.sent);

  function send() {
    const differ = differing().map((one) => ({ id: idOf(one), lies: lies.get(idOf(one)) }));
    page.answer({ survey: { differ } }, differ.length ? "differ" : "confirmed", confirm);
  }

  function count() {
    const n = differing().length;
    confirm.textContent = n ? say("survey-some", { n }) : say("survey-all");
  }

  function tile(one) {
    const id = idOf(one);
    const element = make("button", { type: "button", onclick: turn });
    function paint() {
      const now = lies.get(id);
      const isAsSent = now === one.sent;
      const word = say(`lies-${now}`);
      element.className = `tile ${now === "between" ? "alarmed" : now}${isAsSent ? "" : " otherwise"}`;
      element.replaceChildren(make("span", {}, id), drawing(one.shape, now) ?? "", make("small", {}, word));
      element.setAttribute("aria-pressed", String(!isAsSent));
    }
    function turn() {
      if (!page.mayPress()) return;
      lies.set(id, NEXT[one.sent][lies.get(id)]);
      paint();
      count();
      page.felt(lies.get(id));
    }
    paint();
    return element;
  }

  count();
  page.answers("", make("div", { class: "tiles" }, ...shown.map(tile)), confirm);
  const give = (code) => (pressed) => page.answer({ survey: code }, code, pressed);
  page.more(
    button("", answerWord("repeat"), give("repeat")),
    button("", answerWord("undo"), give("undo")),
    button("", `${say("more")} …`, () => page.sheets.moreOfPlace(asked)));
}
