// What is asked of whoever stands at a decoder: a thing to be done, and what an output did.

import { answerWord, button, image, make, say } from "./view.js";

const sentence = (text) => (/[.?!]$/.test(text) ? text : `${text}.`);

// Something to be done by hand.
export function task(asked, page) {
  const { decoder, place, text, mind, job, picture } = asked;
  const ask = picture ? say("switches-ask", { id: decoder }) : sentence(text);
  page.heading(place, decoder, [""], ask, mind);
  const give = (code) => (pressed) => page.answer({ task: code }, code, pressed);
  const board = picture ? switches(job.on, picture) : null;
  page.answers("task", ...[
    board,
    button("big whole sure done", answerWord("done"), give("done")),
    button("whole", answerWord("cannot"), give("cannot")),
  ].filter((one) => one !== null));
  page.more(button("", answerWord("stop-here"), () => page.sheets.stop("task", asked)));
}

// The switches of a board: in words first, then as a picture.
function switches(on, picture) {
  const numbers = on.flatMap((isOn, at) => (isOn ? [`${at + 1}`] : []));
  const list = new Intl.ListFormat(document.documentElement.lang, { type: "conjunction" }).format(numbers);
  const words = numbers.length === 0 ? say("switches-none")
    : numbers.length === on.length ? say("switches-all")
      : numbers.length === 1 ? say("switches-one", { list }) : say("switches-some", { list });
  return make("figure", { class: "whole board" },
    make("p", {}, words), image(picture), make("figcaption", {}, say("switches-legend")));
}

// An output that was commanded.
export function watch(asked, page) {
  const { decoder, place, output, outputs, goes_off: goesOff } = asked;
  const says = asked.isComing ? say("bench-will-be-sent", { position: "\u0000" }) : say("sent", { position: "\u0000" });
  const [before, after] = says.split("\u0000");
  const half = page.isBlind ? [say("bench-sent-hidden")] : [before, make("b", {}, say(`lies-${asked.sent}`)), after];
  const rest = [say("address", { n: asked.address }), asked.wired].filter(Boolean).join(" · ");
  const isMeant = output !== null;
  page.heading(place, isMeant ? say("bench-output", { n: output }) : decoder, [...half, ` · ${rest}`],
    asked.isComing ? say("bench-look") : isMeant ? say("bench-ask") : say("bench-ask-none"),
    isMeant ? "" : say("bench-none", { id: decoder }));
  const give = (saw, code) => (pressed) => page.answer({ watch: saw }, code, pressed);
  const plainly = (style, code, saw = code) => button(style, answerWord(code), give(saw, code));
  const others = Array.from({ length: outputs }, (_, at) => at + 1).filter((n) => n !== output);
  const another = (style, text) => button(style, text, (pressed) => {
    if (others.length === 1) give({ "other-output": others[0] }, `output ${others[0]}`)(pressed);
    else page.sheets.outputs(others);
  });
  const side = (name) => {
    const one = button(`big half ${name}`, answerWord(name), give({ acted: { half: name } }, name));
    one.append(make("small", {}, goesOff ? say("bench-on-then-off") : say("bench-on")));
    return one;
  };
  if (isMeant) {
    const middle = [plainly("", "nothing")];
    if (goesOff) middle.push(button("alarmed", say("bench-still-on"), () => page.sheets.halves(output)));
    if (others.length) middle.push(another("", say("bench-another")));
    for (const one of middle) one.classList.add(["whole", "half", "third"][middle.length - 1]);
    page.answers("", side("straight"), side("diverging"), ...middle,
      plainly("half", "elsewhere"), plainly("half", "cannot-see"));
  } else {
    page.answers("", plainly("big half", "nothing"), another("big half", say("bench-one-acted")),
      plainly("half", "elsewhere"), plainly("half", "cannot-see"));
  }
  page.more(
    plainly("", "send-again", "repeat"),
    button("", answerWord("stop-here"), () => page.sheets.stop("watch", asked)));
}
