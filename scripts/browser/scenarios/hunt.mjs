// An address is looked for.

import { HUNTED, Program, track } from "../program.mjs";
import { Phone, must } from "../phone.mjs";
import { everyWay, told } from "./common.mjs";

// Whoever watches M2, which really has that address; it moves by `ways` only. Says what they see.
function watcher(address, ways = ["diverging", "straight"]) {
  let lies = "straight";
  const goes = (way) => {
    const moves = ways.includes(way) && lies !== way;
    if (moves) lies = way;
    return moves;
  };
  return {
    sees(sent) {
      const numbers = sent.match(/\d+(-\d+)?/g).slice(/^\d+ addresses/.test(sent) ? 1 : 0);
      const has = numbers.some((run) => {
        const [first, last] = run.split("-").map(Number);
        return first <= address && address <= (last ?? first);
      });
      if (!/alone/.test(sent)) return has && [goes("diverging"), goes("straight")].includes(true) ? "It moved" : "It did not move";
      // What is thrown alone is thrown one way and then the other.
      const way = this.isBack ? "straight" : "diverging";
      if (has && !this.isBack) goes("straight");
      const moved = has && goes(way);
      if (has) this.isBack = moved && !this.isBack;
      return moved ? `Moved, ${way}` : "It did not move";
    },
    laysBack(back) {
      lies = back || lies === "diverging" ? "straight" : "diverging";
    },
  };
}

// Answers the question of a hunt that is open as whoever watches sees it. True when it is over.
async function answerHunt(phone, person, otherwise = null) {
  await phone.page.waitForFunction(() => ![...document.querySelectorAll("#answers button")].some((one) => one.disabled));
  await phone.ready();
  const number = await phone.number();
  const byHand = ["Laid back", "Laid the other way"];
  const laid = await phone.page.locator("#answers .done").allInnerTexts();
  if (byHand.includes(laid[0]?.trim())) {
    person.laysBack(laid[0].trim() === byHand[0]);
    await phone.tap(laid[0].trim());
  } else {
    const seen = person.sees(await phone.text("sent"));
    await phone.tap(otherwise ?? seen);
  }
  return phone.next(number);
}

// An address is looked for, found and proved; one answer is wrong, one is not sure.
export async function hunt(browser) {
  const program = await Program.start(HUNTED, {
    command: ["hunt"], options: ["--target", "M2", "--only", "1-64"], asBuilt: "[decoder.E]\nfirst_address = 41\n",
  });
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  const person = watcher(44);
  must((await phone.text("id")) === "M2", "it does not say what to watch");
  must(/^Question 1 of \d+$/.test(await phone.text("place")), `it does not say how far it is: ${await phone.text("place")}`);
  await everyWay(phone, "hunt-group");
  await answerHunt(phone, person);
  await answerHunt(phone, person, "Not sure");
  await answerHunt(phone, person, "Throw again");
  let over = false;
  let alone = false;
  let wrong = false;
  for (let questions = 0; !over; questions += 1) {
    const isAlone = /alone/.test(await phone.text("sent"));
    if (isAlone && !alone) {
      alone = true;
      await everyWay(phone, "hunt-alone");
    }
    const lie = !wrong && !isAlone && questions === 2;
    if (await phone.button("It lies as before").count()) {
      // The wrong answer, and not a drive that moves one way only.
      await everyWay(phone, "hunt-doubted");
      const number = await phone.number();
      await phone.tap("It lies as before");
      over = await phone.next(number);
    } else if (lie) {
      wrong = true;
      const seen = person.sees(await phone.text("sent"));
      const number = await phone.number();
      await phone.ready();
      await phone.tap(seen === "It moved" ? "It did not move" : "It moved");
      over = await phone.next(number);
    } else {
      over = await answerHunt(phone, person);
    }
    must(questions < 60, "it has no end");
  }
  await everyWay(phone, "hunt-found");
  must((await program.ended) === 0, `it is not proved: ${program.out}`);
  const done = told(program, "hunt-done")[0];
  must(done.found[0].address === 44, `it found ${done.found[0].address}`);
  must(/^Address 44$/.test(await phone.text("id")), `it says ${await phone.text("id")}`);
  await phone.leave(/401 \(Unauthorized\)|ERR_CONNECTION_REFUSED/);
  return `address 44 of 64 with ${done.questions} questions, one of them wrong and one not sure`;
}

// What moves one way only is laid back by hand, and found; a hunt that is stopped leaves nothing on.
export async function huntOneWay(browser) {
  const options = { command: ["hunt"], options: ["--target", "M2", "--only", "17-48"], asBuilt: `[turnout.M2]\nstraight_coil = "open"\n` };
  const program = await Program.start(HUNTED, options);
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  const person = watcher(24, ["diverging"]);
  let laid = 0;
  for (let over = false; !over;) {
    const byHand = await phone.button("Laid back").count();
    if (byHand && (laid += 1) < 3) await phone.inspect(`hunt-back-${laid}`);
    over = await answerHunt(phone, person);
    must(laid < 20, "it has no end");
  }
  must(laid > 1, "it was laid back once at the most");
  await phone.inspect("hunt-one-way");
  must((await program.ended) === 1, program.out);
  const done = told(program, "hunt-done")[0];
  must(done.outcome === "one-way" && done.found[0].address === 24, JSON.stringify(done));
  await phone.leave(/401 \(Unauthorized\)|ERR_CONNECTION_REFUSED/);

  const next = await Program.start(HUNTED, options);
  const other = await Phone.open(browser, next.base);
  await other.enter(next.link);
  await other.ready();
  await other.tap("Stop here");
  await other.inspect("hunt-stop");
  await other.tap("Stop");
  await other.page.waitForFunction(() => document.getElementById("main").className === "ended");
  await other.inspect("hunt-stopped");
  must((await next.ended) === 4, "stopped by the operator is exit code 4");
  await other.leave(/401 \(Unauthorized\)|ERR_CONNECTION_REFUSED/);
  return `${done.questions} questions, laid back ${laid} times`;
}

// On a layout that takes its time: it moved is said while addresses are thrown, and ends that.
export async function huntEarly(browser) {
  const layout = await track(HUNTED);
  const program = await Program.start(HUNTED, {
    command: ["hunt"], options: ["--link", layout.link, "--target", "M2", "--only", "17-48"],
  });
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  // What is likely comes first, in a group that is thrown in seconds.
  const watching = () => phone.page.waitForFunction(() => [...document.querySelectorAll("#answers button")].some((one) => one.disabled));
  await watching();
  await phone.says(/^Throwing/);
  await everyWay(phone, "hunt-throwing");
  await phone.page.reload();
  await phone.page.waitForFunction(() => Number(document.getElementById("main")?.dataset.number) > 0);
  const number = await phone.number();
  await phone.ready();
  await phone.tap("It moved");
  await phone.next(number);
  const [planned] = told(program, "hunt-throws");
  const [first] = told(program, "hunt-answer");
  must(first.answer === "moved", JSON.stringify(first));
  must(first.throws < 2 * planned.addresses, `all ${first.throws} were thrown`);
  await phone.tap("Stop here").catch(() => null);
  await program.stop();
  await layout.end();
  await phone.leave(/401 \(Unauthorized\)|ERR_CONNECTION_REFUSED|ERR_INCOMPLETE_CHUNKED/);
  return `${first.throws} of ${2 * planned.addresses} thrown`;
}
