// The guided set-up of one tool, and new inserts.
import assert from 'node:assert/strict';
import { open, clean, looks, to, enter } from './cell.mjs';

export default {
  async 'a new insert is one tap, with the keyboard alone'(browser, d) {
    const page = await open(browser, d);
    await enter(page, d, 'Sem', '/machines');
    await page.goto(new URL('/machine?machine=mill-1', d.url).href);
    await to(page, '#tools form:has([value=new_insert]) button');
    await page.keyboard.press('Enter');
    await page.waitForSelector('#said:has-text("the next part is a first part")');
    await to(page, '#tools a[href*="tool=T7"]');
    await page.keyboard.press('Enter');
    await page.waitForURL('**/first?*');
    await page.waitForSelector('.steps [aria-current=step]');
    await clean(page, 'first part');
    assert.deepEqual(page.errors, []);
    await page.close();
  },

  async 'first part: accessible, large enough, and nothing sticks out'(browser, d) {
    await looks(browser, d, 'first', '/first?q=1');
    await looks(browser, d, 'first-tools', '/first?machine=mill-1');
    await looks(browser, d, 'first-part', '/first?machine=mill-1&tool=T7', (page) => enter(page, d, 'Sem', '/machines'));
  },
};
