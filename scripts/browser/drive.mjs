// Runs the scenarios and says what came of them.

import { axeRuns, browse } from "./phone.mjs";
import { endAll } from "./program.mjs";
import * as scenarios from "./scenarios.mjs";

const wanted = process.argv.slice(2);
const browser = await browse();
let failed = 0;
for (const [name, scenario] of Object.entries(scenarios)) {
  if (wanted.length && !wanted.includes(name)) continue;
  const began = performance.now();
  try {
    const note = await scenario(browser);
    console.log(`ok      ${name} (${((performance.now() - began) / 1000).toFixed(1)} s) ${note}`);
  } catch (error) {
    failed += 1;
    console.log(`FAILED  ${name}: ${error.stack ?? error}`);
  }
}
endAll();
await browser.close();
for (const violation of axeRuns.violations) console.log(`axe     ${violation}`);
console.log(`axe looked at ${axeRuns.states} states: ${axeRuns.violations.length} violations`);
console.log(`screenshots are in target/browser`);
process.exit(failed || axeRuns.violations.length ? 1 : 0);
