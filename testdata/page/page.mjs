// The story of the page in a real browser, place by place: with the keyboard alone,
// with nothing for the checker of accessibility to say, and with pictures to look at.
//
//   node page.mjs PROGRAM [FOLDER FOR THE PICTURES]
import { join } from 'node:path';
import { chromium } from 'playwright-core';
import { demo, folder } from './cell.mjs';
import queue from './queue.mjs';
import machines from './machines.mjs';
import first from './first.mjs';
import gauges from './gauges.mjs';
import history from './history.mjs';
import manual from './manual.mjs';
import reads from './reads.mjs';
import story from './story.mjs';

const tests = { ...queue, ...machines, ...first, ...gauges, ...history, ...manual, ...reads, ...story };
const browser = await chromium.launch({ executablePath: process.env.CHROMIUM || '/usr/bin/chromium', args: ['--no-sandbox'] });
let failed = 0;
for (const [name, test] of Object.entries(tests)) {
  if (process.env.ONLY && !name.includes(process.env.ONLY)) { console.log(`left out  ${name} (ONLY=${process.env.ONLY})`); continue; }
  const d = await demo('2s');
  const began = Date.now();
  try {
    await test(browser, d);
    console.log(`ok    ${name} (${((Date.now() - began) / 1000).toFixed(1)} s)`);
  } catch (e) {
    failed++;
    console.log(`FAIL  ${name}\n${e.stack}`);
    for (const c of browser.contexts()) for (const p of c.pages()) { await p.screenshot({ path: join(folder, 'failed.png') }).catch(() => {}); await p.close(); }
  }
  d.stop();
}
await browser.close();
console.log(`pictures: ${folder}`);
process.exit(failed ? 1 : 0);
