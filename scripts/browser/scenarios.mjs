// What an operator does on the page, and what has to come of it.

import { readFileSync, writeFileSync } from "node:fs";

import { ACCEPTED, FAILING, HUNDRED, HUNTED, PLACE, Program, SEVERAL, SMALL, TAUGHT, TWO, once, track } from "./program.mjs";
import { Phone, comes, must } from "./phone.mjs";

const observations = (program) => program.events().filter((event) => event.event === "observation");
const verdicts = (events) => events.filter((one) => one.event === "verdict").map((one) => `${one.turnout ?? one.signal} ${one.verdict}`).sort().join(", ");
const summary = (program) => program.events().findLast((event) => event.event === "summary");

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

// The connection goes while an answer is on its way, and comes back.
export async function reconnect(browser) {
  const program = await Program.start(TWO);
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  let number = await phone.number();
  await phone.ready();
  await phone.context.setOffline(true);
  await phone.tap(await phone.sentTo());
  await phone.says(/^Not delivered yet/);
  await phone.inspect("not-delivered");
  must(observations(program).length === 0, "it can't have come");
  await phone.context.setOffline(false);
  await phone.next(number);
  await comes(() => observations(program).length === 1, "it was not delivered once");

  // The page is reloaded while its answer is on the way.
  number = await phone.number();
  await phone.ready();
  await phone.context.setOffline(true);
  await phone.tap(await phone.sentTo());
  await phone.says(/^Not delivered yet/);
  await phone.context.setOffline(false);
  await phone.page.reload();
  await phone.next(number);
  await comes(() => observations(program).length === 2, "it was not delivered once over a reload");

  // The answer arrives, but word of it is lost: sent again, it is not counted again.
  number = await phone.number();
  await phone.ready();
  let lost = 0;
  await phone.page.route("**/answer", async (route) => {
    if (lost === 0) {
      lost += 1;
      await route.fetch();
      await route.abort("connectionreset");
    } else {
      await route.continue();
    }
  });
  await phone.tap(await phone.sentTo());
  await phone.next(number);
  await phone.says(/: (straight|diverging)$/);
  await comes(() => observations(program).length === 3, "it was not counted once");
  await phone.page.unrouteAll();
  await phone.leave(/ERR_INTERNET_DISCONNECTED|ERR_CONNECTION_RESET|ERR_NETWORK_CHANGED/);
  await program.stop();
  must(observations(program).length === 3, "it was counted twice");
  return "";
}

// Two phones and two tabs: the first answer counts, the others see it.
export async function two(browser) {
  const program = await Program.start(TWO);
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  const other = await Phone.open(browser, program.base);
  await other.enter(program.link);
  const tab = await Phone.open(browser, program.base, { context: phone.context });
  await tab.page.goto(`${program.base}/`);
  await tab.page.waitForFunction(() => Number(document.getElementById("main")?.dataset.number) > 0);
  const number = await phone.number();
  must(number === (await other.number()) && number === (await tab.number()), "they show different questions");
  await other.ready();
  await phone.tap(await phone.sentTo());
  await Promise.all([other.next(number), tab.next(number)]);
  await other.says(/answered on another phone$/);
  await other.shot("answered-elsewhere");

  // At the same time, and different: one counts, and the other is told so.
  const second = await phone.number();
  await phone.ready();
  let held = true;
  await other.page.route("**/answer", async (route) => {
    while (held) await new Promise((done) => setTimeout(done, 20));
    await route.continue();
  });
  await other.tap("Between");
  await phone.tap(await phone.sentTo());
  await phone.next(second);
  held = false;
  await other.says(/did not count/);
  await other.inspect("did-not-count");
  await comes(() => observations(program).length === 2, "not one of two was taken");
  must(observations(program)[1].observed !== "between", "the later one was taken");
  await other.page.unrouteAll();
  await other.leave(/409 \(Conflict\)/);
  await phone.leave();
  await program.stop();
  must(observations(program).length === 2, "both were taken");
  return "";
}

// Nobody gets in with another key, or without one.
export async function wrongKey(browser) {
  const program = await Program.start(TWO);
  const phone = await Phone.open(browser, program.base);
  await phone.page.goto(`${program.base}/#AAAAAAAAAAAAAAAAAAAAAA`);
  await phone.page.waitForFunction(() => /not valid/.test(document.body.textContent));
  must(!phone.page.url().includes("#"), "the wrong key is still in the address bar");
  must(!(await phone.page.content()).includes("Kestrel"), "the door tells of the plan");
  await phone.inspect("door-wrong");
  await phone.page.goto(`${program.base}/`);
  await phone.page.waitForFunction(() => /Scan the code/.test(document.body.textContent));
  await phone.inspect("door");
  await phone.enter(program.link);
  await phone.leave(/401 \(Unauthorized\)/);
  await program.stop();
  return "";
}

// The program ends and starts again.
export async function restart(browser) {
  const program = await Program.start(TWO);
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  await phone.answerAsSent();
  const listen = new URL(program.base).host;
  program.child.kill("SIGKILL");
  await program.ended;
  await phone.ready();
  await phone.tap(await phone.sentTo());
  await phone.says(/^Not delivered yet/);
  await phone.shot("program-gone");
  const expected = /ERR_CONNECTION_REFUSED|ERR_INCOMPLETE_CHUNKED|ERR_CONNECTION_RESET|ERR_EMPTY_RESPONSE|409|401/;
  // The port is the same by itself.
  const next = await Program.start(TWO, { keep: program, listen: "127.0.0.1", options: ["--resume"] });
  must(next.link === program.link, "it has another link");
  await phone.says(/did not count. The program was started again/);
  await phone.inspect("restarted");
  await phone.ready();
  const number = await phone.number();
  await phone.tap(await phone.sentTo());
  await phone.next(number);
  const anew = () => observations(next).filter((one) => !one.carried).length;
  await comes(() => anew() === 1, "the page did not go on");
  next.child.kill("SIGKILL");
  await next.ended;
  // Started afresh, it has another key.
  const fresh = await Program.start(TWO, { keep: program, listen });
  await phone.page.waitForFunction(() => /not let in/.test(document.getElementById("status").textContent));
  await phone.inspect("shut-out");
  // A slow door: what the page showed before is no question of the new program.
  await phone.page.route("**/enter", async (route) => {
    await new Promise((done) => setTimeout(done, 600));
    await route.continue();
  });
  await phone.enter(fresh.link);
  await phone.answerAsSent();
  await phone.leave(expected);
  await fresh.stop();
  return "";
}

// Confirms every look at a place, and answers what is asked one by one.
async function confirmAll(phone) {
  let over = false;
  while (!over) {
    const number = await phone.number();
    await phone.ready();
    if (await phone.page.locator(".confirm").count()) {
      phone.taps += 1;
      await phone.page.locator(".confirm").tap();
      over = await phone.next(number);
    } else {
      over = await phone.answerAsSent();
    }
  }
}

// A hundred turnouts one by one. Only when it is named: it takes two minutes.
export async function hundred(browser) {
  const program = await Program.start(HUNDRED());
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  const began = performance.now();
  while (!(await phone.answerAsSent()));
  must((await program.ended) === 0, `not all was proved: ${program.out}`);
  await phone.leave();
  return `${summary(program).proved} proved with ${phone.taps} taps in ${((performance.now() - began) / 1000).toFixed(0)} s`;
}

// A hundred turnouts by place: how many taps that saves.
export async function hundredByPlace(browser) {
  const program = await Program.start(HUNDRED(), { options: ["--by-place"] });
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  await confirmAll(phone);
  must((await program.ended) === 0, `not all was proved: ${program.out}`);
  const { proved } = summary(program);
  await phone.leave();
  return `${proved} proved at ten places with ${phone.taps} taps`;
}

// All turnouts of a place at once; only what lies otherwise is tapped.
export async function byPlace(browser) {
  const program = await Program.start(PLACE, { options: ["--by-place"] });
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  await phone.inspect("survey");
  await phone.page.setViewportSize({ width: 320, height: 568 });
  await phone.inspect("survey-320");
  await phone.page.setViewportSize({ width: 844, height: 390 });
  await phone.inspect("survey-landscape");
  await phone.page.setViewportSize({ width: 390, height: 844 });
  await phone.page.emulateMedia({ colorScheme: "light" });
  await phone.page.locator(".tile").first().tap();
  await phone.page.locator(".tile").nth(4).tap();
  await phone.page.locator(".tile").nth(4).tap();
  await phone.inspect("survey-differ");
  must((await phone.page.locator(".confirm").innerText()).startsWith("2 otherwise"), "it does not count what differs");
  await phone.page.locator(".tile").first().tap();
  await phone.page.locator(".tile").first().tap();
  await phone.page.locator(".tile").nth(4).tap();
  await confirmAll(phone);
  must((await program.ended) === 0, `not all was proved: ${program.out}`);
  const { proved } = summary(program);
  await phone.leave();
  return `${proved} proved at one place with ${phone.taps} taps`;
}

// The acceptance list, where the program asks for it.
export async function closerLook(browser) {
  const program = await Program.start(ACCEPTED);
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  let over = false;
  let looked = false;
  while (!over) {
    if (await phone.button("As it should be").count()) {
      looked = true;
      await phone.inspect("look");
      const number = await phone.number();
      await phone.tap("As it should be");
      over = await phone.next(number);
    } else {
      over = await phone.answerAsSent();
    }
  }
  await program.ended;
  await phone.leave();
  must(looked, "it did not ask for a closer look");
  return "";
}

// Kestrel Bay with its faults by place: the phone says what the simulated track sees itself.
export async function faultsByPlace(browser) {
  const options = ["--as-built", "fixtures/kestrel-bay/as-built.toml", "--by-place", "--only", "Q1,Q2,Q3,Q4W,Q4E,Q6,F4,S4"];
  const truth = once("sweep", "fixtures/kestrel-bay/plan.toml", ...options, "--witness", "track", "--format", "json", "--record", "none");
  const told = truth.stdout.split("\n").filter(Boolean).map((line) => JSON.parse(line));
  const coming = {};
  for (const one of told.filter((event) => event.event === "observation")) (coming[one.turnout ?? one.signal] ??= []).push(one);
  const program = await Program.start("fixtures/kestrel-bay/plan.toml", { options });
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  const named = { straight: "Straight", diverging: "Diverging", between: "Between", "no-movement": "Nothing moved" };
  const capital = (name) => named[name] ?? name.charAt(0).toUpperCase() + name.slice(1);
  for (let over = false; !over;) {
    const number = await phone.number();
    await phone.ready();
    const tiles = phone.page.locator(".tile");
    if (await tiles.count()) {
      for (let at = 0; at < (await tiles.count()); at += 1) {
        const tile = tiles.nth(at);
        const id = await tile.locator("span").innerText();
        const lies = coming[id].shift().observed;
        for (let turns = 0; (await tile.locator("small").innerText()) !== lies; turns += 1) {
          must(turns < 3, `${id} can't be said to lie ${lies}`);
          await tile.tap();
        }
      }
      if (number === 1) await phone.inspect("faults-by-place");
      await phone.page.locator(".confirm").tap();
    } else if (await phone.button("Can't be done").count()) {
      await phone.page.locator("#answers button").first().tap();
    } else {
      const { observed, others } = coming[await phone.text("id")].shift();
      if (others?.length) {
        await phone.page.getByRole("button", { name: /^Another/ }).tap();
        for (const other of others) await phone.tap(other);
        await phone.tap("Next");
        await phone.page.locator("dialog").getByRole("button", { name: observed === "another" ? /^(Did not move|Nothing changed)/ : capital(observed) }).tap();
      } else if (observed === "no-movement") {
        await phone.page.getByRole("button", { name: /^Nothing/ }).tap();
      } else {
        await phone.button(capital(observed)).tap();
      }
    }
    await phone.next(number);
    over = await declines(phone);
  }
  await phone.inspect("ended-with-faults");
  must((await program.ended) === 1, "failures end with 1");
  must(verdicts(program.events()) === verdicts(told), `${verdicts(program.events())}\nbut the track saw\n${verdicts(told)}`);
  await phone.leave();
  return `${verdicts(told).split(", ").length} verdicts as the track sees them`;
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

// A card as it looks in the dark, in daylight, on a small phone and on one on its side.
async function everyWay(phone, name) {
  await phone.inspect(`${name}-dark`);
  await phone.page.emulateMedia({ colorScheme: "light" });
  await phone.inspect(`${name}-light`);
  await phone.page.emulateMedia({ colorScheme: "dark" });
  for (const [size, width, height] of [["320", 320, 568], ["landscape", 844, 390]]) {
    await phone.page.setViewportSize({ width, height });
    await phone.inspect(`${name}-${size}`);
  }
  await phone.page.setViewportSize({ width: 390, height: 844 });
}

// Answers the step that is open; `pick` may say another answer than the one that is wanted.
// True when teaching is over.
async function answerStep(phone, pick = () => null) {
  const number = await phone.number();
  await phone.ready();
  const named = await pick();
  if (named) for (const name of [named].flat()) await phone.tap(name);
  else if (await phone.button("Done").count()) await phone.tap("Done");
  else if (/^Output/.test(await phone.text("id"))) await phone.page.locator(`#answers .${(await phone.sentTo()).toLowerCase()}`).tap();
  else await phone.tap("Nothing");
  return phone.next(number);
}

const told = (program, event) => program.events().filter((one) => one.event === event);

// A decoder is given its address in learn mode, and all that its outputs do is seen.
export async function teach(browser) {
  const program = await Program.start(TAUGHT, { command: ["teach", "D1"] });
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  must(/^Step 1 of \d+$/.test(await phone.text("place")), "it does not say which step it is");
  must(/learn lead of D1 on\.$/.test(await phone.text("ask")), `it says ${await phone.text("ask")}`);
  await everyWay(phone, "teach-task");
  await phone.tap("Stop here");
  await phone.inspect("teach-stop");
  must(/--from 1/.test(await phone.page.locator("dialog").innerText()), "it does not say what to do after a stop");
  await phone.tap("Back");
  await answerStep(phone);
  // Where to look is shown before anything is sent, for a second, and nothing can be answered then.
  await phone.ready();
  await phone.page.evaluate(() => {
    new MutationObserver((_, watcher) => {
      if (document.getElementById("ask").textContent !== "Look there now.") return;
      watcher.disconnect();
      globalThis.coming = { id: document.getElementById("id").textContent, number: document.getElementById("main").dataset.number };
      dispatchEvent(new PointerEvent("pointerdown"));
      document.querySelector("#answers .straight").click();
    }).observe(document.body, { subtree: true, childList: true, characterData: true, attributes: true });
  });
  await phone.tap("Done");
  await phone.page.waitForFunction(() => globalThis.coming && Number(document.getElementById("main").dataset.number) > 0);
  const coming = await phone.page.evaluate(() => globalThis.coming);
  must(coming.id === "Output 1" && coming.number === "0", `it does not say where to look, but ${JSON.stringify(coming)}`);
  await comes(() => told(program, "taught-sent").at(-1)?.purpose === "prove", "it was not sent");
  await phone.inspect("teach-asked");
  must(told(program, "taught-seen").length === 0, "a tap before the question was taken");
  await everyWay(phone, "teach-watch");
  await phone.tap("Is still on");
  await phone.inspect("teach-still-on");
  await phone.tap("Back");
  await phone.tap("Another output");
  await phone.inspect("teach-which");
  await phone.tap("Back");
  await answerStep(phone, () => "Send again");
  await comes(() => told(program, "taught-sent").length === 3, "it was not sent again");
  let steps = 0;
  for (let over = false; !over; steps += 1) {
    if (await phone.button("One of its outputs").count()) await phone.inspect("teach-none");
    over = await answerStep(phone);
    must(steps < 40, "it has no end");
  }
  await phone.inspect("teach-proved");
  must((await program.ended) === 0, `it is not proved: ${program.out}`);
  const seen = told(program, "taught-seen");
  must(seen.every((one) => one.as_expected), "not all was seen as it should be");
  await phone.leave(/401 \(Unauthorized\)|ERR_CONNECTION_REFUSED/);
  return `${seen.length} outputs looked at with ${phone.taps} taps`;
}

// Switches are set by their picture, another output acts, and what is amiss is told at the end.
export async function teachBySwitches(browser) {
  const program = await Program.start(TAUGHT, { command: ["teach", "D2"] });
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  while (!(await phone.page.locator(".board").count())) await answerStep(phone);
  await everyWay(phone, "teach-switches");
  const words = await phone.page.locator(".board p").innerText();
  const drawn = await phone.page.locator(".board svg").evaluate((svg) =>
    [...svg.querySelectorAll("rect[class]")].flatMap((one, at) => (one.getAttribute("class") === "on" ? [`${at + 1}`] : [])));
  must(drawn.length > 1 && words === `Switches ${drawn.slice(0, -1).join(", ")} and ${drawn.at(-1)} on, all others off.`, `${words} but drawn are ${drawn}`);
  let over = false;
  let other = false;
  for (let steps = 0; !over; steps += 1) {
    over = await answerStep(phone, async () => {
      if (other || (await phone.text("id")) !== "Output 2") return null;
      other = true;
      return ["Another output", "4"];
    });
    must(steps < 40, "it has no end");
  }
  await phone.inspect("teach-not-proved");
  must((await program.ended) === 1, `it is proved: ${program.out}`);
  must(told(program, "taught-seen").some((one) => one.saw === "other-output" && one.other === 4), "which output acted is lost");
  await phone.leave(/401 \(Unauthorized\)|ERR_CONNECTION_REFUSED/);
  return words;
}

// Outputs that stay on by intent, many of them, half hidden; and a stop half-way.
export async function teachBlind(browser) {
  const program = await Program.start(TAUGHT, { command: ["teach", "D3"], options: ["--blind"] });
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  while (!/^Output/.test(await phone.text("id"))) {
    const number = await phone.number();
    await phone.ready();
    await phone.tap("Done");
    await phone.next(number);
  }
  must((await phone.page.locator("#sent b").count()) === 0, "it says which half was sent");
  must((await phone.button("Is still on").count()) === 0, "a steady output is to stay on");
  await phone.inspect("teach-blind");
  await phone.tap("Another output");
  await phone.inspect("teach-sixteen");
  await phone.tap("Back");
  await phone.tap("Stop here");
  await phone.tap("Stop");
  await phone.page.waitForFunction(() => document.getElementById("main").className === "ended");
  await phone.inspect("teach-stopped");
  must((await program.ended) === 4, "stopped by the operator is exit code 4");
  await phone.leave(/401 \(Unauthorized\)|ERR_CONNECTION_REFUSED/);
  return "";
}

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

// Says no where it is offered to find out why something fails, as it is in the end. True then.
async function declines(phone) {
  const asked = await opened(phone);
  if (asked.stage !== "which") return false;
  await phone.page.waitForFunction((number) => document.getElementById("main").dataset.number === `${number}`, asked.number);
  await phone.ready();
  await phone.tap("No, that is all");
  return phone.next(await phone.number());
}

// The question that is open, as the page has it.
const open = (phone) => phone.page.evaluate(() => fetch("/scene").then((answer) => answer.json())).then((scene) => scene.asked);

// The same, waited for: the end may be shown for a moment before more is asked.
async function opened(phone) {
  let asked = null;
  for (let tries = 0; !asked; tries += 1) {
    must(tries < 600, "nothing is asked");
    asked = await open(phone);
    if (!asked) await phone.page.waitForTimeout(50);
  }
  return asked;
}

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
async function mend(browser, name, { looksAround = false } = {}) {
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
      // All is as the plan has it.
      program.builds("seed = 1\n");
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
// Something for hands and ears.
export const diagnoseStiff = (browser) => mend(browser, "stiff");

// What is said to be mended and is not: the proof fails and the next round begins; then a stop.
export async function diagnoseAgain(browser) {
  const { target, asBuilt, finds } = CAUSES.swapped;
  const seen = truthOf(FAILING, asBuilt);
  const program = await Program.start(FAILING, { asBuilt });
  const phone = await Phone.open(browser, program.base);
  await phone.enter(program.link);
  await sweepAsSeen(phone, seen);
  let number = await phone.number();
  await phone.ready();
  await phone.tap(`Find out why ${target} fails`);
  await phone.next(number, THINKS);
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

// What a sweep with faults leaves: its report, on a desk, on a phone and on paper.
export async function report(browser) {
  const options = ["--as-built", "fixtures/kestrel-bay/as-built.toml"];
  const folder = once("--version").folder;
  const { status, stderr } = once("sweep", "fixtures/kestrel-bay/plan.toml", ...options, "--record", `${folder}/record`, "--report", `${folder}/report.html`);
  must(status === 1, `a sweep with faults ends with 1: ${stderr}`);
  for (const [name, width, dark] of [["report", 1100, false], ["report-phone", 390, false], ["report-dark", 1100, true]]) {
    const phone = await Phone.open(browser, "file:", { width, dark });
    await phone.page.goto(`file://${folder}/report.html`);
    await phone.examine(name);
    const wide = await phone.page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
    must(wide <= 0, `${name}: ${wide} px too wide`);
    if (name === "report") await phone.page.pdf({ path: "target/browser/report.pdf", format: "A4" });
    await phone.shot(name);
    await phone.leave();
  }
  return "";
}

// The pictures of the manual. Only when it is named.
export async function pictures(browser) {
  const take = (phone, name) => phone.page.screenshot({ path: `docs/pictures/${name}.png` });
  const pictured = { width: 390, height: 844, scale: 1 };
  const options = ["--as-built", "fixtures/kestrel-bay/as-built.toml"];
  for (const [name, dark] of [["phone-throw", false], ["phone-dark", true]]) {
    const program = await Program.start("fixtures/kestrel-bay/plan.toml");
    const phone = await Phone.open(browser, program.base, { ...pictured, dark });
    await phone.enter(program.link);
    for (let n = 0; n < 10; n += 1) await phone.answerAsSent();
    await phone.ready();
    await take(phone, name);
    await phone.leave();
    await program.stop();
  }
  const program = await Program.start("fixtures/kestrel-bay/plan.toml", { options: ["--by-place"] });
  const phone = await Phone.open(browser, program.base, { ...pictured, height: 960, dark: false });
  await phone.enter(program.link);
  await phone.ready();
  await phone.page.locator(".tile").nth(2).tap();
  await take(phone, "phone-place");
  await phone.leave();
  await program.stop();
  const { folder } = once("--version");
  once("sweep", "fixtures/kestrel-bay/plan.toml", ...options, "--record", `${folder}/record`, "--report", `${folder}/report.html`);
  const page = await Phone.open(browser, "file:", { width: 900, height: 900, scale: 1, dark: false });
  await page.page.goto(`file://${folder}/report.html`);
  await take(page, "report");
  await page.leave();
  return "in docs/pictures";
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
