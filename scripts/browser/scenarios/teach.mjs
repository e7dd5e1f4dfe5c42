// A decoder is given its address.

import { Program, TAUGHT } from "../program.mjs";
import { Phone, comes, must } from "../phone.mjs";
import { everyWay, told } from "./common.mjs";

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
