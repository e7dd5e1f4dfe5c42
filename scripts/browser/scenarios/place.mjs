// Whole places looked at together.

import { ACCEPTED, HUNDRED, PLACE, Program, once } from "../program.mjs";
import { Phone, must } from "../phone.mjs";
import { declines, summary, verdicts } from "./common.mjs";

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
