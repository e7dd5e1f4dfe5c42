// A phone: a page in Chromium, what it asked for, what it complained of, and its taps.

import { readFileSync, mkdirSync } from "node:fs";
import { createRequire } from "node:module";
import { chromium } from "playwright-core";

const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const SHOTS = "target/browser";
mkdirSync(SHOTS, { recursive: true });

const ARGUMENTS = [
  "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
  "--disable-background-networking", "--disable-component-update", "--disable-sync",
];

// How long a new question takes no answer, and a little more.
const INERT = 270;

// How long the page and the program may take for anything, also where much else goes on,
// milliseconds.
const PATIENCE = 30000;

// The browser asks for the icon when it likes, also once the program has ended.
const LATE_ICON = /ERR_CONNECTION_\w+ \S+\/icon\.svg$/;

export const browse = () => chromium.launch({ executablePath: process.env.CHROMIUM, args: ARGUMENTS });

export const axeRuns = { states: 0, violations: [] };

export function must(truth, what) {
  if (!truth) throw new Error(what);
}

// What has to become so: the program may have shown it on the page before it has written it down.
export async function comes(isSo, what) {
  const end = performance.now() + PATIENCE;
  while (!isSo()) {
    must(performance.now() < end, what);
    await new Promise((done) => setTimeout(done, 20));
  }
}

export class Phone {
  static async open(browser, base, { width = 390, height = 844, scale = 2, dark = true, context = null } = {}) {
    const phone = new Phone();
    phone.context = context ?? await browser.newContext({
      viewport: { width, height }, hasTouch: true, isMobile: true, deviceScaleFactor: scale,
      colorScheme: dark ? "dark" : "light",
    });
    phone.page = await phone.context.newPage();
    phone.page.setDefaultTimeout(PATIENCE);
    phone.base = base;
    phone.taps = 0;
    phone.asked = [];
    phone.complaints = [];
    phone.bytes = 0;
    phone.page.on("request", (request) => phone.asked.push(request.url()));
    phone.page.on("requestfinished", async (request) => {
      const sizes = await request.sizes().catch(() => null);
      if (sizes) phone.bytes += sizes.responseBodySize + sizes.responseHeadersSize;
    });
    phone.page.on("console", (message) => {
      if (message.type() === "error" || message.type() === "warning") {
        phone.complaints.push(`${message.text()} ${message.location().url}`);
      }
    });
    phone.page.on("pageerror", (error) => phone.complaints.push(`${error}`));
    return phone;
  }

  // Opens the program's link and waits for its first question.
  async enter(link) {
    await this.page.goto(link);
    await this.page.waitForFunction(() => Number(document.getElementById("main")?.dataset.number) > 0);
    must(!this.page.url().includes("#"), "the key is still in the address bar");
    // The door itself is a 401.
    this.complaints = this.complaints.filter((text) => !text.includes("401 (Unauthorized)"));
  }

  number() {
    return this.page.locator("#main").getAttribute("data-number").then(Number);
  }

  text(id) {
    return this.page.locator(`#${id}`).innerText();
  }

  button(name) {
    // Behind a sheet nothing can be tapped.
    const front = this.page.locator("dialog[open], body:not(:has(dialog[open]))");
    return front.getByRole("button", { name, exact: true });
  }

  async tap(name) {
    this.taps += 1;
    await this.opens();
    await this.button(name).tap();
  }

  // Waits until the page takes an answer to what it asks: the next question may be there before
  // word of the answer to the last.
  opens() {
    return this.page.waitForFunction(() => {
      const main = document.getElementById("main");
      return !(Number(main?.dataset.number) > 0 && document.querySelector("#answers.closed"));
    });
  }

  async ready() {
    await this.opens();
    await this.page.waitForTimeout(INERT);
  }

  // Waits for another question than that one, or for the end; a diagnosis may think a while.
  async next(number, timeout = PATIENCE) {
    await this.page.waitForFunction(
      (before) => {
        const main = document.getElementById("main");
        const now = Number(main.dataset.number);
        return (now > 0 && now !== before) || main.classList.contains("ended");
      },
      number,
      { timeout },
    );
    return this.isOver();
  }

  async isOver() {
    return (await this.page.locator("#main").getAttribute("class")).split(" ").includes("ended");
  }

  // Where it was sent, as a button's name.
  async sentTo() {
    const sent = await this.page.locator("#sent b").innerText();
    return sent.charAt(0).toUpperCase() + sent.slice(1);
  }

  // Answers as an operator does who sees what was sent. True when the sweep is over.
  async answerAsSent() {
    // Only then does the page show what is asked now, and not what was asked before a restart.
    await this.ready();
    const number = await this.number();
    await this.tap(await this.sentTo());
    return this.next(number);
  }

  async says(pattern) {
    await this.page.waitForFunction(
      // The door has none.
      ([source]) => new RegExp(source).test(document.getElementById("status")?.textContent ?? ""),
      [pattern.source],
    ).catch(async (error) => { throw new Error(`it never said ${pattern}, but: ${await this.text("status")}`, { cause: error }); });
  }

  async shot(name) {
    await this.page.screenshot({ path: `${SHOTS}/${name}.png` });
  }

  // What every state has to fulfil, whatever it shows.
  async inspect(name) {
    await this.page.waitForTimeout(INERT);
    await this.shot(name);
    const wide = await this.page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
    must(wide <= 0, `${name}: ${wide} px too wide`);
    const small = await this.page.evaluate(() =>
      [...document.querySelectorAll("button, input, textarea")]
        .filter((one) => one.checkVisibility())
        .map((one) => [one.textContent || one.id, one.getBoundingClientRect()])
        .filter(([, box]) => box.width < 63.9 || box.height < 63.9)
        .map(([text, box]) => `${text.trim()} ${box.width} by ${box.height}`));
    must(small.length === 0, `${name}: too small for a thumb: ${small.join("; ")}`);
    await this.examine(name);
  }

  // What axe says of it.
  async examine(name) {
    await this.page.evaluate(AXE);
    const found = await this.page.evaluate(async () => {
      const tags = ["wcag2a", "wcag2aa", "wcag2aaa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];
      const result = await globalThis.axe.run(document, { runOnly: tags });
      return result.violations.map((one) => `${one.id}: ${one.help}: ${one.nodes.map((node) => `${node.html} ${node.failureSummary}`).join(" | ")}`);
    });
    axeRuns.states += 1;
    for (const violation of found) {
      axeRuns.violations.push(`${name}: ${violation}`);
    }
  }

  // Ends, and says what went wrong on the way. `expected` is what the browser may complain of.
  async leave(expected = /^$/) {
    const elsewhere = this.asked.filter((url) => !url.startsWith(`${this.base}/`) && !url.startsWith("data:"));
    must(elsewhere.length === 0, `asked another host: ${elsewhere}`);
    const complaints = this.complaints.filter((text) => !expected.test(text) && !LATE_ICON.test(text));
    must(complaints.length === 0, `the browser complains: ${complaints.join(" | ")}`);
    await this.context.close();
  }
}
