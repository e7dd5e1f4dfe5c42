// What several scenarios do, and what they ask the program.

import { must } from "../phone.mjs";

export const observations = (program) => program.events().filter((event) => event.event === "observation");
export const verdicts = (events) => events.filter((one) => one.event === "verdict").map((one) => `${one.turnout ?? one.signal} ${one.verdict}`).sort().join(", ");
export const summary = (program) => program.events().findLast((event) => event.event === "summary");
export const told = (program, event) => program.events().filter((one) => one.event === event);

// A card as it looks in the dark, in daylight, on a small phone and on one on its side.
export async function everyWay(phone, name) {
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

// Says no where it is offered to find out why something fails, as it is in the end. True then.
export async function declines(phone) {
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
export async function opened(phone) {
  let asked = null;
  for (let tries = 0; !asked; tries += 1) {
    must(tries < 600, "nothing is asked");
    asked = await open(phone);
    if (!asked) await phone.page.waitForTimeout(50);
  }
  return asked;
}
