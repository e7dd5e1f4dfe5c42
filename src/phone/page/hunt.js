// What is asked of whoever watches a thing whose address is looked for.

import { answerWord, button, say } from "./view.js";

export function hunt(asked, page) {
  const { number, thing, addresses, runs, sent } = asked;
  const isAlone = sent !== null;
  const thrown = addresses === 1 ? say("hunt-one", { runs }) : say("hunt-many", { n: addresses, runs });
  page.heading("", say("hunt-question", { n: number }), [isAlone ? say("hunt-alone", { runs }) : thrown],
    isAlone ? say("hunt-ask-lies", { thing }) : say("hunt-ask", { thing }), "");
  const give = (reply, code) => (pressed) => page.answer({ hunt: reply }, code, pressed);
  const plainly = (style, code) => button(style, answerWord(code), give(code, code));
  const moved = isAlone
    ? [
      button("big half straight", say("hunt-lies-straight"), give({ lies: "straight" }, "straight")),
      button("big half diverging", say("hunt-lies-diverging"), give({ lies: "diverging" }, "diverging")),
    ]
    : [plainly("big whole sure", "moved")];
  page.answers("", ...moved, plainly("big whole", "did-not-move"), plainly("whole", "not-sure"));
  page.more(
    plainly("", "again"),
    button("", answerWord("stop-here"), () => page.sheets.stop("hunt", { if_stopped: [say("hunt-stop-text")] })));
}
