// Why a turnout fails, and the proof that it is mended.

import { writeFileSync } from "node:fs";

import { FAILING, Program, once } from "../program.mjs";
import { Phone, comes, must } from "../phone.mjs";
import { everyWay, opened, told } from "./common.mjs";

// What the simulated track itself sees in a sweep, of each turnout in its order.
function truthOf(plan, asBuilt) {
  const folder = once("--version").folder;
  writeFileSync(`${folder}/plan.toml`, plan);
  writeFileSync(`${folder}/as-built.toml`, asBuilt);
  const truth = once("sweep", `${folder}/plan.toml`, "--as-built", `${folder}/as-built.toml`, "--witness", "track", "--format", "json", "--record", "none");
  const seen = {};
  for (const line of truth.stdout.split("\n").filter(Boolean)) {
    const event = JSON.parse(line);
    if (event.event === "observation") (seen[event.turnout] ??= []).push(event);
  }
  return seen;
}

// How long a diagnosis may think, unoptimised and with much else going on, milliseconds.
const THINKS = 120000;

// Answers a sweep by what the track sees, until something else is asked.
async function sweepAsSeen(phone, seen) {
  const words = { straight: "Straight", diverging: "Diverging", between: "Between", "no-movement": "Nothing moved" };
  for (;;) {
    const asked = await opened(phone);
    if (asked.kind === "diagnosis") return;
    await phone.ready();
    const number = await phone.number();
    if (asked.kind === "hand") {
      await phone.page.locator("#answers button").first().tap();
    } else {
      const { observed, others } = seen[asked.turnout].shift();
      if (others?.length) {
        await phone.tap("Another moved");
        for (const other of others) await phone.tap(other);
        await phone.tap("Next");
        await phone.page.locator("dialog").getByRole("button", { name: observed === "another" ? "Did not move" : words[observed] }).tap();
      } else {
        await phone.tap(words[observed]);
      }
    }
    await phone.next(number, THINKS);
  }
}

// What a person finds at a turnout with nothing wrong: choices of each part, from 0.
const HEALTHY = {
  "throw-again": [0, 0], "six-cycles": [0, 0], "throw-rested": [0, 0], "throw-rapidly": [0, 0], "longer-pulse": [0, 0],
  "without-release": [0, 0], together: [0, 0], "same-decoder": [0, 0], "same-supply": [0, 0], "other-supply": [0, 0],
  "extended-packets": [6, 0], "swap-leads": [1, 0], unhook: [0], "four-up": [0], "four-down": [0], "addresses-nearby": [0],
  "first-addresses": [0], "by-hand": [0], listen: [2, 2], touch: [0], "decoder-lamp": [2], "lamp-on-output": [1],
  "address-again": [0, 0], "good-feed": [0, 0], "packets-at-decoder": [2], "read-settings": [0], amps: [2, 2],
  volts: [2, 2, 2], "volts-at-supply": [2], ohms: [2, 2], "ohms-at-drive": [2, 2],
};

const all = (names, chosen) => Object.fromEntries(names.map((name) => [name, chosen]));
const THROWN = ["throw-again", "six-cycles", "throw-rested", "throw-rapidly", "longer-pulse", "without-release", "together", "address-again", "good-feed"];

// Three causes: one turnout, several of one decoder, and one for hands at the layout.
const CAUSES = {
  swapped: {
    target: "B2", asBuilt: "[turnout.B2]\nleads_swapped = true\n", causes: ["leads-swapped"],
    finds: { ...HEALTHY, ...all(THROWN, [1, 0]), "swap-leads": [0, 0] },
  },
  fourUp: {
    target: "B1", asBuilt: "[decoder.E]\naddress_offset = 4\n", causes: ["decoder-four-up"],
    finds: {
      ...HEALTHY, ...all([...THROWN, "same-decoder", "swap-leads"], [6, 0]), unhook: [6], "four-up": [1],
      listen: [0, 0], "decoder-lamp": [1], "lamp-on-output": [0],
    },
  },
  stiff: {
    target: "B3", asBuilt: "[turnout.B3]\nfriction = 1.6\n", causes: ["blades-stiff"],
    finds: { ...HEALTHY, ...all([...THROWN, "swap-leads"], [6, 0]), "by-hand": [1], listen: [1, 1] },
  },
};

// From a sweep that fails to what is mended and proved, by taps alone.
async function mend(browser, name, { looksAround = false, slips = false } = {}) {
  const { target, asBuilt, causes, finds } = CAUSES[name];
  const seen = truthOf(FAILING, asBuilt);
  const program = await Program.start(FAILING, { asBuilt });
  const phone = await Phone.open(browser, program.base);
  const look = looksAround ? everyWay : (one, shot) => one.inspect(shot);
  const shots = new Set();
  const shot = async (stage) => {
    if (shots.has(stage)) return;
    shots.add(stage);
    await look(phone, `diagnosis-${name}-${stage}`);
  };
  await phone.enter(program.link);
  await sweepAsSeen(phone, seen);
  must(/^Not proved: /.test(await phone.text("sent")), await phone.text("sent"));
  await shot("offer");
  let number = await phone.number();
  await phone.tap(`Find out why ${target} fails`);
  await phone.next(number, THINKS);
  let tests = 0;
  let named = null;
  for (;;) {
    const asked = await opened(phone);
    if (asked.kind !== "diagnosis") break;
    await phone.ready();
    number = await phone.number();
    must(asked.turnout === target && tests < 60, "it has no end");
    if (asked.stage === "showed") {
      tests += 1;
      const choices = finds[asked.test];
      must(choices?.length === asked.parts.length, `${asked.test} has other parts`);
      for (const [at, choice] of choices.entries()) {
        must((await phone.text("ask")) === asked.parts[at].ask, `it asks ${await phone.text("ask")}`);
        await shot(`showed-${at + 1}-of-${choices.length}`);
        if (at === 1 && looksAround && !shots.has("reloaded")) {
          // A part that has its answer keeps it.
          shots.add("reloaded");
          await phone.page.reload();
          await phone.page.waitForFunction((ask) => document.getElementById("ask")?.textContent === ask, asked.parts[1].ask);
          await phone.ready();
          await phone.tap("Part before");
          await phone.page.waitForFunction((ask) => document.getElementById("ask").textContent === ask, asked.parts[0].ask);
          await phone.ready();
          await phone.page.locator(".choice").nth(choices[0]).tap();
          await phone.page.waitForFunction((ask) => document.getElementById("ask").textContent === ask, asked.parts[1].ask);
        }
        await phone.ready();
        await phone.page.locator("#answers button").nth(choice).tap();
        if (at + 1 < choices.length) await phone.page.waitForFunction((ask) => document.getElementById("ask").textContent === ask, asked.parts[at + 1].ask);
      }
    } else if (asked.stage === "mended") {
      await comes(() => told(program, "diagnosis").length, "it came to nothing");
      named = told(program, "diagnosis").at(-1);
      must(named.kind === "named" && causes.includes(named.causes[0].cause), JSON.stringify(named));
      must((await phone.text("answers")).includes(named.causes[0].mend), "it does not say how to mend it");
      await shot("named");
      if (slips && !asked.amiss) {
        program.builds(`[turnout.${target}]\nfrictoin = 1.0\n`);
      } else {
        if (slips) {
          // What is wrong with the file, and where: it is corrected, and said once more.
          must(/can't be built: .*as-built\.toml:2:.*frictoin.*Correct the file/.test(await phone.text("hint")), await phone.text("hint"));
          await shot("not-built");
        }
        // All is as the plan has it.
        program.builds("seed = 1\n");
      }
      await phone.page.locator("#answers .done").tap();
    } else {
      await shot(asked.stage);
      await phone.page.locator("#answers .done").tap();
    }
    await phone.next(number, THINKS);
  }
  must(named, "no cause was named");
  must(/^Proving /.test(await phone.text("place")), `it does not say what it proves: ${await phone.text("place")}`);
  await shot("proof");
  while (!(await phone.answerAsSent()));
  await phone.page.waitForFunction(() => document.querySelector(".outcome"));
  await shot("proved");
  must((await program.ended) === 1, "the sweep itself had a failure");
  const [proved] = told(program, "diagnosis-proved");
  must(proved.proved, JSON.stringify(proved));
  await phone.leave();
  return `${named.causes[0].cause}, ${Math.floor(named.causes[0].share * 100)} %, with ${tests} questions; ${proved.words}`;
}

// One turnout; every card in each colour and size, and a reload between two parts of a question.
export const diagnoseSwapped = (browser) => mend(browser, "swapped", { looksAround: true });

// Several turnouts with one cause.
export const diagnoseFourUp = (browser) => mend(browser, "fourUp");

// Something for hands and ears; the file of what is there has a slip when it is mended.
export const diagnoseStiff = (browser) => mend(browser, "stiff", { slips: true });

// A sweep in which the cause shows, and the diagnosis of what fails, begun.
async function begins(browser, { target, asBuilt }) {
  const seen = truthOf(FAILING, asBuilt);
  const program = await Program.start(FAILING, { asBuilt });
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  await sweepAsSeen(phone, seen);
  const number = await phone.number();
  await phone.ready();
  await phone.tap(`Find out why ${target} fails`);
  await phone.next(number, THINKS);
  return { program, phone };
}

// Every test is left out: several causes remain, and which of them is mended is asked in words.
export async function diagnoseSeveral(browser) {
  const { program, phone } = await begins(browser, CAUSES.stiff);
  let number = await phone.number();
  let asked = await opened(phone);
  while (asked.stage !== "mended") {
    await phone.ready();
    number = await phone.number();
    if (asked.stage === "showed" || asked.stage === "prepare") await phone.tap(asked.stage === "showed" ? "Leave this test out" : "Can't be done");
    else await phone.page.locator("#answers .done").tap();
    await phone.next(number, THINKS);
    asked = await opened(phone);
  }
  await comes(() => told(program, "diagnosis").length, "it came to nothing");
  const { kind, causes } = told(program, "diagnosis").at(-1);
  must(kind === "remain" && causes.length > 1, `${kind}: ${causes.length}`);
  const buttons = (await phone.page.locator("#answers button").allInnerTexts()).map((one) => one.trim());
  must(buttons.at(-1) === "Not now" && buttons.length > 2, buttons.join(", "));
  const mended = causes.filter(({ cause }) => cause !== "nothing-wrong");
  for (const [at, button] of buttons.slice(0, -1).entries()) {
    must(mended[at].says.startsWith(button) && !button.includes(mended[at].cause), `${mended[at].cause} is called ${button}`);
  }
  await everyWay(phone, "diagnosis-several-mended");
  await phone.ready();
  number = await phone.number();
  program.builds("seed = 1\n");
  await phone.tap(buttons[0]);
  await phone.next(number, THINKS);
  must(/^Proving /.test(await phone.text("place")), await phone.text("place"));
  while (!(await phone.answerAsSent()));
  await program.ended;
  const [proved] = told(program, "diagnosis-proved");
  must(proved.proved && proved.cause === mended[0].cause, JSON.stringify(proved));
  await phone.leave();
  return buttons.join(" | ");
}

// What is said to be mended and is not: the proof fails and the next round begins; then a stop.
export async function diagnoseAgain(browser) {
  const { finds } = CAUSES.swapped;
  const { program, phone } = await begins(browser, CAUSES.swapped);
  let number = await phone.number();
  const other = { Straight: "Diverging", Diverging: "Straight" };
  let rounds = 1;
  while (rounds < 2) {
    const asked = await opened(phone);
    await phone.ready();
    number = await phone.number();
    if (asked.kind === "throw") {
      await phone.tap(other[await phone.sentTo()]);
    } else if (asked.stage === "showed") {
      for (const choice of finds[asked.test]) {
        await phone.ready();
        await phone.page.locator("#answers button").nth(choice).tap();
      }
    } else {
      await phone.page.locator("#answers .done").tap();
    }
    await phone.next(number, THINKS);
    if (/^Round 2/.test(await phone.text("tally"))) rounds += 1;
  }
  await comes(() => told(program, "diagnosis-proved").length, "it was not proved");
  must(!told(program, "diagnosis-proved")[0].proved, "it is proved");
  must(/^Fails still: /.test(await phone.text("sent")), await phone.text("sent"));
  must(/^Round 2/.test(await phone.text("tally")), await phone.text("tally"));
  await everyWay(phone, "diagnosis-again");
  await phone.tap("Stop here");
  await phone.inspect("diagnosis-stop");
  await phone.tap("Stop");
  await phone.page.waitForFunction(() => document.getElementById("main").className.startsWith("ended"));
  await phone.inspect("diagnosis-stopped");
  await program.ended;
  await phone.leave();
  return "";
}
