// Reports, and the pictures of the manual.

import { Program, once } from "../program.mjs";
import { Phone, must } from "../phone.mjs";

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
