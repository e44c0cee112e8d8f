// History and hand-over in a real browser: what happened is found again, by whom,
// and the list for the next shift prints.
import assert from 'node:assert/strict';
import { join } from 'node:path';
import { readFileSync } from 'node:fs';
import { folder, open, enter, looks, ready, signIn } from './cell.mjs';

// decided has Sem approve a card, so that there is something to tell.
async function decided(browser, d) {
  const page = await open(browser, d);
  await signIn(page, 'Sem', d.pins.Sem);
  for (let i = 0; i < 20; i++) {
    await (await ready(page)).click();
    const sure = await page.$('.sure:not([hidden]) [data-do=yes][aria-disabled=false]');
    if (sure) await sure.click();
    if (await page.waitForSelector('.note:has-text("Proven"):has-text("Approved by Sem")', { timeout: 3000 }).catch(() => null)) break;
  }
  await page.close();
}

export default {
  async 'history: who, when, what, why'(browser, d) {
    await decided(browser, d);
    const page = await open(browser, d);
    await enter(page, d, 'Sem', '/history');
    await page.selectOption('select[name=person]', { label: 'Sem' });
    await page.click('.filter button');
    const yes = await page.textContent('.told tbody tr:has-text("Approved:")');
    assert.match(yes, /Approved: \S+ [+−]0\.\d{3}\u00a0mm → [+−]0\.\d{3}\u00a0mm/);
    assert.match(yes, /Part \d+ measured \d+\.\d{4}\u00a0mm, aim \d+\.\d{4}\u00a0mm/);
    assert.equal(await page.locator('.told tbody tr:has-text("Enya")').count(), 0, 'somebody else stands in what one person did');
    await page.selectOption('select[name=person]', '');
    await page.selectOption('select[name=show]', 'readings');
    await page.fill('input[name=gauge]', 'thread-1');
    await page.click('.filter button');
    await page.waitForSelector('.told tbody tr:has-text("M16x1.5-6H pitch")');
    assert.equal(await page.locator('.told tbody tr:has-text("bore")').count(), 0, 'another gauge stands in what one gauge did');
    await page.click('a:has-text("What rested on thread-1")');
    assert.match(await page.textContent('#rested .big'), /^[1-9]\d* readings of [1-9]\d* parts were used, and \d+ corrections rested on them\.$/);
    await page.goto(new URL('/history?ring=nothing', d.url).href);
    await page.waitForSelector('#lines:has-text("Nothing of that is on record")');
    await page.goto(new URL('/history?from=yesterday', d.url).href);
    assert.match(await page.textContent('#refused'), /Time "yesterday" is none/);
    assert.deepEqual(page.errors, []);
    await page.close();
    await looks(browser, d, 'history', '/history');
    await looks(browser, d, 'lookback', '/lookback?gauge=thread-1');
  },

  async 'capability: what the sizes have been'(browser, d) {
    const page = await open(browser, d);
    await enter(page, d, 'Sem', '/machines');
    await page.click('nav a:has-text("Capability")');
    await page.waitForSelector('#sizes tbody tr:has-text("M16x1.5-6H pitch")');
    await page.selectOption('select[name=machine]', 'lathe-2');
    await page.click('form[action="/capability"] button');
    await page.waitForSelector('#sizes tbody tr:has-text("spool 28 f7")');
    assert.equal(await page.locator('#sizes tbody tr:has-text("M16x1.5-6H pitch")').count(), 0, 'another machine stands there');
    assert.deepEqual(page.errors, []);
    await page.close();
    await looks(browser, d, 'capability', '/capability?machine=mill-1');
  },

  async 'the hand-over prints'(browser, d) {
    await decided(browser, d);
    const page = await open(browser, d);
    await enter(page, d, 'Enya', '/handover');
    await page.waitForSelector('#changed tr:has-text("Sem")');
    assert.ok(await page.locator('#waits li').count() > 0, 'nothing waits, although first parts are due');
    await page.evaluate(() => { globalThis.printed = 0; globalThis.print = () => globalThis.printed++; });
    await page.click('[data-do=print]');
    assert.equal(await page.evaluate(() => globalThis.printed), 1);
    const file = join(folder, 'handover.pdf');
    await page.pdf({ path: file, format: 'A4', margin: { top: '15mm', bottom: '15mm', left: '15mm', right: '15mm' } });
    assert.ok(readFileSync(file).length > 5000);
    await page.emulateMedia({ media: 'print' });
    for (const gone of ['header', '.row', '.above .acts']) assert.equal(await page.locator(gone).first().isVisible(), false, `${gone} is printed`);
    await page.screenshot({ path: join(folder, 'handover-print.png'), fullPage: true });
    assert.deepEqual(page.errors, []);
    await page.close();
    await looks(browser, d, 'handover', '/handover');
  },
};
