// What an operator does in a sweep, and what has to come of it.

import { readFileSync } from "node:fs";

import { HUNDRED, Program, SEVERAL, SMALL, TWO, once, track } from "../program.mjs";
import { Phone, comes, must } from "../phone.mjs";
import { observations, summary, verdicts } from "./common.mjs";

// Kestrel Bay from the first screen to the end, by taps alone.
export async function wholeSweep(browser) {
  const folder = once("--version").folder;
  const program = await Program.start("fixtures/kestrel-bay/plan.toml", { options: ["--report", `${folder}/report.html`] });
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  const weight = phone.bytes;
  const { at, first } = await phone.page.evaluate(() => ({
    at: performance.getEntriesByName("ready")[0].startTime,
    first: performance.getEntriesByName("question")[0].startTime,
  }));
  let over = false;
  let questions = 0;
  while (!over) {
    over = await phone.answerAsSent();
    questions += 1;
  }
  await phone.inspect("ended");
  must((await program.ended) === 0, `not all was proved: ${program.out}`);
  must(readFileSync(`${folder}/report.html`, "utf8").includes("Kestrel Bay"), "there is no report");
  const { proved } = summary(program);
  must(observations(program).length === questions, "an answer was lost or counted twice");
  await phone.leave();
  return `${proved} proved with ${phone.taps} taps (${((phone.taps / proved) * 100).toFixed(0)} for 100); ` +
    `page of ${(weight / 1000).toFixed(1)} kB, ready after ${at.toFixed(0)} ms, first question after ${first.toFixed(0)} ms`;
}

// The same on a slow phone at the far end of the room.
export async function slowPhone(browser) {
  const program = await Program.start(TWO);
  const phone = await Phone.open(browser, program.base);
  const session = await phone.context.newCDPSession(phone.page);
  await session.send("Emulation.setCPUThrottlingRate", { rate: 4 });
  await session.send("Network.emulateNetworkConditions", {
    offline: false, latency: 150, downloadThroughput: 200_000, uploadThroughput: 90_000,
  });
  await phone.enter(program.link);
  const first = await phone.page.evaluate(() => performance.getEntriesByName("question")[0].startTime);
  await phone.leave();
  await program.stop();
  return `4 times slower, 1.6 Mbit/s, 150 ms: first question ${first.toFixed(0)} ms after the page was asked for`;
}

// Every kind of question, screen, colour and side.
export async function looks(browser) {
  const program = await Program.start(SMALL);
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  await phone.inspect("throw-dark");
  const context = phone.context;
  await phone.page.emulateMedia({ colorScheme: "light" });
  await phone.inspect("throw-light");
  await phone.page.emulateMedia({ colorScheme: "light", contrast: "more" });
  await phone.inspect("throw-light-contrast");
  await phone.page.emulateMedia({ colorScheme: "dark", contrast: "no-preference" });
  await phone.page.setViewportSize({ width: 320, height: 568 });
  await phone.inspect("throw-320");
  await phone.page.setViewportSize({ width: 844, height: 390 });
  await phone.inspect("throw-landscape");
  await phone.page.setViewportSize({ width: 390, height: 844 });
  await phone.tap("Settings");
  await phone.inspect("settings");
  await phone.tap("Back");
  await phone.tap("Another moved");
  await phone.inspect("another");
  await phone.tap("Q2");
  await phone.tap("Next");
  await phone.inspect("another-itself");
  await phone.tap("Back");
  await phone.tap("More …");
  await phone.inspect("more");
  await phone.page.setViewportSize({ width: 320, height: 568 });
  await phone.inspect("more-320");
  await phone.page.setViewportSize({ width: 390, height: 844 });
  await phone.tap("Note");
  await phone.inspect("note");
  await phone.page.getByLabel("What you noticed").fill("Stiff at the tie bar");
  await phone.page.getByLabel("Name of a photo").fill("IMG 0042.jpg");
  let number = await phone.number();
  await phone.tap("Keep the note");
  await phone.next(number);
  await comes(() => program.events().some((event) => event.event === "noted" && event.text === "Stiff at the tie bar"), "the note is lost");

  // Nothing is where it was not between one question and the next.
  const where = () => phone.button("Straight").boundingBox();
  const before = await where();
  await phone.answerAsSent();
  const after = await where();
  must(before.y === after.y && before.height === after.height, "the buttons moved between two questions");

  // Throw by itself, then enough.
  number = await phone.number();
  await phone.ready();
  await phone.tap("More …");
  await phone.tap("Keep throwing");
  await phone.next(number);
  if (await phone.page.locator(".enough").count()) {
    await phone.inspect("repeating");
    await phone.page.locator(".enough").tap();
    await phone.page.waitForFunction(() => !document.querySelector(".enough"));
  }
  // Nothing moved at all: then it is laid by hand.
  while ((await phone.text("id")) !== "Q2") await phone.answerAsSent();
  for (;;) {
    if (await phone.button("Nothing moved").count()) {
      number = await phone.number();
      await phone.ready();
      await phone.tap("Nothing moved");
      await phone.next(number);
    } else {
      await phone.inspect("by-hand");
      break;
    }
  }
  number = await phone.number();
  await phone.tap("Can't be done");
  await phone.next(number);
  while ((await phone.text("id")) === "Q3") {
    await phone.inspect("double-slip");
    await phone.answerAsSent();
  }
  await phone.inspect("signal");
  await phone.page.setViewportSize({ width: 320, height: 568 });
  await phone.inspect("signal-320");
  await phone.page.setViewportSize({ width: 844, height: 390 });
  await phone.inspect("signal-landscape");
  await phone.tap("More …");
  await phone.tap("Stop the sweep");
  await phone.inspect("stop");
  await phone.tap("Stop");
  await phone.page.waitForFunction(() => document.getElementById("main").className === "ended");
  await phone.page.setViewportSize({ width: 390, height: 844 });
  await phone.inspect("stopped");
  must((await program.ended) === 4, "stopped by the operator is exit code 4");
  must(context === phone.context, "one phone all along");
  // "Enough" may come between two throws: it is said again then.
  await phone.leave(/409 \(Conflict\)/);
  return "";
}

// Turnouts with several drives: a button with a drawing for each position.
export async function several(browser) {
  const program = await Program.start(SEVERAL);
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  const drawn = () => phone.page.locator("#answers .big svg path.set").evaluateAll((all) => new Set(all.map((one) => one.getAttribute("d"))).size);
  const names = () => phone.page.locator("#answers .big").allInnerTexts().then((all) => all.map((one) => one.trim()).join(" "));
  const inspect = async (name) => {
    await phone.inspect(name);
    await phone.page.setViewportSize({ width: 320, height: 568 });
    await phone.inspect(`${name}-320`);
    await phone.page.setViewportSize({ width: 844, height: 390 });
    await phone.inspect(`${name}-landscape`);
    await phone.page.setViewportSize({ width: 390, height: 844 });
  };
  must((await names()) === "Left Straight Right", `as they lie on the layout, not ${await names()}`);
  must((await drawn()) === 3, "each position is drawn with its own route");
  await inspect("three-way");
  await phone.tap("Another moved");
  await phone.tap("SC");
  await phone.tap("Next");
  await phone.inspect("three-way-itself");
  await phone.tap("Back");
  while ((await phone.text("id")) === "T1") await phone.answerAsSent();
  must((await names()) === "Straight Across Left Right", `the positions of a slip, not ${await names()}`);
  must((await drawn()) === 4, "each route of the slip is drawn");
  await inspect("several-slip");
  while ((await phone.text("id")) === "DS") await phone.answerAsSent();
  must((await names()) === "Straight First-diagonal Second-diagonal", `the positions of scissors, not ${await names()}`);
  await inspect("scissors");
  while (!(await phone.answerAsSent()));
  must((await program.ended) === 0, `not all was proved: ${program.out}`);
  must(verdicts(program.events()) === "DS proved, SC proved, T1 proved", verdicts(program.events()));
  const seen = observations(program).filter((one) => one.turnout === "T1").map((one) => one.observed).join(" ");
  must(seen === "straight left right straight", `seen of T1: ${seen}`);
  await phone.leave();
  return "";
}

// A tap that was meant for the last question does not answer the next; keys work as taps do.
export async function early(browser) {
  const program = await Program.start(TWO);
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  const number = await phone.number();
  await phone.ready();
  await phone.page.evaluate(() => {
    const press = () => {
      dispatchEvent(new PointerEvent("pointerdown"));
      [...document.querySelectorAll("#answers button")].find((one) => one.textContent === "Straight").click();
    };
    press();
    // A nervous thumb.
    const main = document.getElementById("main");
    const first = main.dataset.number;
    new MutationObserver((_, watcher) => {
      if (main.dataset.number === first || main.dataset.number === "0") return;
      watcher.disconnect();
      press();
    }).observe(main, { attributes: true });
  });
  await phone.next(number);
  await phone.page.waitForTimeout(600);
  must(observations(program).length === 1, "a tap of the question before was taken");
  // By keyboard alone.
  const second = await phone.number();
  for (let steps = 0; steps < 12; steps += 1) {
    await phone.page.keyboard.press("Tab");
    const focused = await phone.page.evaluate(() => document.activeElement.textContent.trim());
    if (focused === (await phone.sentTo())) break;
  }
  await phone.shot("keyboard");
  await phone.page.keyboard.press("Enter");
  await phone.next(second);
  await comes(() => observations(program).length === 2, "Enter did not answer");
  await phone.leave();
  await program.stop();
  must(observations(program).length === 2, "Enter answered twice");
  return "";
}

// Stopped from the settings while it throws a whole place of a real-time layout.
export async function stopWhileThrowing(browser) {
  // All at one place, which takes long.
  const plan = HUNDRED().replaceAll(/place = "Road \d+"/g, 'place = "Yard"');
  const served = await track(plan);
  const program = await Program.start(plan, { options: ["--by-place", "--link", served.link, "--node-id", "0A.00.00.00.00.02"] });
  const phone = await Phone.open(browser, program.base);
  await phone.page.goto(program.link);
  await phone.says(/^(Ready|Throwing)/);
  must((await phone.number()) === 0, "nothing is to be asked yet");
  await phone.tap("Settings");
  await phone.tap("Stop the sweep");
  await phone.inspect("stop-now");
  must((await phone.number()) === 0, "nothing is to be asked yet");
  await phone.tap("Stop");
  await phone.page.waitForFunction(() => document.getElementById("main").className === "ended");
  must((await program.ended) === 4, "stopped by the operator is exit code 4");
  served.end();
  // The browser asks for the icon when it likes, also once the program has ended.
  await phone.leave(/401 \(Unauthorized\)|ERR_CONNECTION_REFUSED \S+\/icon\.svg$/);
  return "";
}

// Where it was sent is nowhere on the page, one by one and by place.
export async function blind(browser) {
  const program = await Program.start(TWO, { options: ["--blind", "--by-place"] });
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  must((await phone.page.locator(".tile").count()) === 0, "a place shows where all were sent");
  must(/^Look at it/.test(await phone.text("sent")), "it says where it was sent");
  must((await phone.page.locator("#sent b").count()) === 0, "it says where it was sent");
  await phone.inspect("blind");
  const number = await phone.number();
  await phone.tap("Straight");
  await phone.next(number);
  await comes(() => observations(program)[0]?.observed === "straight", "the answer is lost");
  await phone.leave();
  await program.stop();
  return "";
}

// A terminal and a phone: either may answer, and the other shows it.
export async function terminalToo(browser) {
  const program = await Program.start(TWO, { atTerminal: true });
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  await phone.answerAsSent();
  await program.says(/answered on a phone/);
  const number = await phone.number();
  await phone.ready();
  program.type("#");
  await program.says(/http:\/\/\S+#\S+/);
  program.type((await phone.sentTo()) === "Straight" ? "s" : "d");
  await phone.next(number);
  await phone.says(/answered at the terminal$/);
  await phone.inspect("answered-at-terminal");
  await comes(() => observations(program).length === 2, "not both were counted once");
  program.type("qq");
  await phone.page.waitForFunction(() => document.getElementById("main").className === "ended");
  must((await program.ended) === 4, "stopped by the operator is exit code 4");
  await phone.leave();
  return "";
}

// A signal whose lamps are drawn, crossing gates and an uncoupler.
export async function lamps(browser) {
  const program = await Program.start("fixtures/signals/plan.toml", { options: ["--only", "BS2,G1,U1"] });
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  const answer = async (word) => {
    const number = await phone.number();
    await phone.ready();
    phone.taps += 1;
    await phone.page.locator(`#answers button:has(span:text-is("${word.charAt(0).toUpperCase() + word.slice(1)}"))`).tap();
    return phone.next(number);
  };
  const buttons = await phone.page.locator("#answers button:has(svg.lamps)").allInnerTexts();
  must(buttons.length === 5, `five aspects have lamps: ${buttons}`);
  must(buttons.some((text) => /Caution\s+upper-yellow flashing/.test(text)), `words stand below lamps: ${buttons}`);
  must(buttons.some((text) => /Dark\s+no lamp/.test(text)), `also where none is lit: ${buttons}`);
  const lit = await phone.page.locator("#answers button", { hasText: "Slow" }).locator("g.lit text").allTextContents();
  must(lit.join("") === "GY", `slow lights green above yellow: ${lit}`);
  await phone.inspect("signal-dark");
  await phone.page.emulateMedia({ colorScheme: "light" });
  await phone.inspect("signal-light");
  await phone.page.setViewportSize({ width: 320, height: 568 });
  await phone.inspect("signal-320");
  await phone.page.setViewportSize({ width: 390, height: 844 });
  let over = false;
  while (!over) {
    const id = await phone.text("id");
    const sent = (await phone.page.locator("#sent b").innerText()).toLowerCase();
    if (id === "G1" && sent === "closed") {
      await phone.inspect("gates");
      over = await answer("Between");
    } else if (id === "U1") {
      must((await phone.text("ask")) === "What did it do?", await phone.text("ask"));
      await phone.inspect("uncoupler");
      over = await answer("Rose and fell");
    } else {
      over = await answer(sent);
    }
  }
  must((await program.ended) === 1, program.out);
  must(verdicts(program.events()) === "BS2 proved, G1 partial, U1 proved", verdicts(program.events()));
  await phone.leave();
  return `${buttons.length} aspects drawn`;
}
