// Phones that come, go and are not let in.

import { Program, TWO } from "../program.mjs";
import { Phone, comes, must } from "../phone.mjs";
import { observations } from "./common.mjs";

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
