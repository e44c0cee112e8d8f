// The whole story of a set-up: the demonstration starts, somebody signs in, and leads
// a thread from its new tool to a signed first part.
import assert from 'node:assert/strict';
import { demo, enter, open, picture } from './cell.mjs';

export default {
  async 'the story of a first part'(browser) {
    const d = await demo('14s'); // time to gauge a part before the next one is cut
    try {
      const page = await open(browser, d);
      await enter(page, d, 'Sem', '/first');
      await page.goto(new URL('/first?machine=mill-1&tool=T7', d.url).href);
      const did = new Set();
      const step = async (name, button) => {
        const b = await page.$(`.steps [aria-current=step]:has(h3:text-is("${name}")) ${button}:not([aria-disabled=true])`);
        if (!b) return false;
        if (!did.has(name)) await picture(page, `story-${did.size + 1}`);
        await Promise.all([page.waitForNavigation({ timeout: 10000 }), b.click({ timeout: 2000 })]);
        did.add(name);
        return true;
      };
      const ended = Date.now() + 150000;
      while (!await page.$('.steps:not(:has([aria-current=step]))')) { // another part may come in between: it goes on from there
        assert.ok(Date.now() < ended, `it ends at ${await page.textContent('.steps')} after ${[...did]}`);
        const acted = await step('Decide the change', '[action$="/approve"] button').catch(() => false) ||
          await step('GO and NO-GO', '.plug:has-text("not tried yet") form:first-child button').catch(() => false) ||
          await step('Sign the first part', 'form button').catch(() => false);
        if (!acted) await new Promise((ok) => setTimeout(ok, 200));
      }
      assert.deepEqual([...did], ['Decide the change', 'GO and NO-GO', 'Sign the first part']);
      assert.match(await page.textContent('.steps'), /Approved by Sem|, Sem\.|signed by Sem/);
      await picture(page, 'story-signed');
      await d.until(/T7-radius reads back .*: proven/, 'that the register was proven');
      await page.goto(new URL('/loop?machine=mill-1&loop=port%20thread', d.url).href);
      await page.waitForSelector('#state-of dd:has-text("signed by Sem")');
      await page.waitForSelector('#registers td:has-text("Sem")');
      assert.deepEqual(page.errors, []);
      await page.close();
    } finally {
      d.stop();
    }
  },
};
