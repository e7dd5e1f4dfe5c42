// Runs the scenarios and says what came of them.

import { axeRuns, browse } from "./phone.mjs";
import { endAll } from "./program.mjs";
import * as diagnosis from "./scenarios/diagnosis.mjs";
import * as hunt from "./scenarios/hunt.mjs";
import * as papers from "./scenarios/papers.mjs";
import * as place from "./scenarios/place.mjs";
import * as reach from "./scenarios/reach.mjs";
import * as sweep from "./scenarios/sweep.mjs";
import * as teach from "./scenarios/teach.mjs";

const scenarios = { ...sweep, ...reach, ...place, ...teach, ...hunt, ...diagnosis, ...papers };

// Those that run only when they are named.
const ONLY_NAMED = ["hundred", "pictures"];

const wanted = process.argv.slice(2);
const browser = await browse();
let failed = 0;

// The longest first; two at a time.
const LONG = ["diagnoseSwapped", "diagnoseSeveral", "diagnoseFourUp", "faultsByPlace", "wholeSweep", "hundredByPlace", "looks"];
const rank = ([name]) => (LONG.indexOf(name) + 1 || LONG.length + 1);
const due = wanted.length
  ? Object.entries(scenarios).filter(([name]) => wanted.includes(name))
  : Object.entries(scenarios).filter(([name]) => !ONLY_NAMED.includes(name)).sort((a, b) => rank(a) - rank(b));
for (const name of wanted) {
  if (!(name in scenarios)) {
    console.log(`FAILED  ${name}: there is no such scenario`);
    failed += 1;
  }
}

async function work() {
  for (let next = due.shift(); next; next = due.shift()) await run(...next);
}

async function run(name, scenario) {
  const began = performance.now();
  try {
    const note = await scenario(browser);
    console.log(`ok      ${name} (${((performance.now() - began) / 1000).toFixed(1)} s) ${note}`);
  } catch (error) {
    failed += 1;
    console.log(`FAILED  ${name}: ${error.stack ?? error}`);
  }
}
await Promise.all([work(), work()]);
endAll();
await browser.close();
for (const violation of axeRuns.violations) console.log(`axe     ${violation}`);
console.log(`axe looked at ${axeRuns.states} states: ${axeRuns.violations.length} violations`);
console.log(`screenshots are in target/browser`);
process.exit(failed || axeRuns.violations.length ? 1 : 0);
