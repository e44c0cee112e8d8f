// Gauges: as found on the ring, measuring tasks, a value by hand.
import assert from 'node:assert/strict';
import { open, clean, enter, looks, picture, to } from './cell.mjs';

export default {
  async 'a gauge is set, with the keyboard alone'(browser, d) {
    const page = await open(browser, d);
    await enter(page, d, 'Olga', '/gauges');
    await to(page, '#all a[href*="bore-1"]');
    await page.keyboard.press('Enter');
    await page.waitForURL('**/gauge?*');
    await to(page, 'input[name="read:length"]');
    await page.keyboard.type('27.9418'); // ring 28 A is 27.9398 mm
    await to(page, 'button[value=yes]');
    await page.keyboard.press('Enter');
    await page.waitForSelector('#said:has-text("As found +0.0020 mm")');
    await page.waitForSelector('#drift circle');
    await page.evaluate(() => { globalThis.body = document.body; });
    await page.fill('[name=part]', 'half ty');
    const says = await page.textContent('#state-of');
    await page.waitForFunction((was) => document.querySelector('#state-of').textContent !== was, says); // the next reading
    assert.ok(await page.evaluate(() => document.body === globalThis.body), 'the whole document was taken away');
    assert.equal(await page.inputValue('[name=part]'), 'half ty', 'what somebody types was taken away');
    await page.waitForSelector('#said'); // and what was said stays
    await clean(page, 'a gauge that was set');
    await picture(page, 'gauge-set');
    assert.deepEqual(page.errors, []);
    await page.close();
  },

  async 'a measuring task is set and taken back, a value is entered by hand'(browser, d) {
    const page = await open(browser, d);
    await enter(page, d, 'Olga', '/gauges');
    await page.goto(new URL('/gauge?gauge=bore-1', d.url).href);
    await page.fill('[name=part]', '7');
    await page.click('button:has-text("It measures this part")');
    await page.waitForSelector('[id^=task] .big:has-text("part 7, bore 28 H8")');
    await page.click('button:has-text("Take back")');
    await page.waitForSelector('[id^=task] .big', { state: 'detached' });
    await page.click('a:has-text("Enter it by hand")');
    await page.fill('[name=part]', '100000');
    await page.fill('[name="value:length"]', '28.0160');
    await page.fill('[name=reason]', 'the gateway is down');
    await page.click('main button');
    await page.waitForSelector('#said');
    assert.deepEqual(page.errors, []);
    await page.close();
  },

  async 'gauges: accessible, large enough, and nothing sticks out'(browser, d) {
    const olga = (page) => enter(page, d, 'Olga', '/gauges');
    await looks(browser, d, 'gauges', '/gauges');
    await looks(browser, d, 'gauge', '/gauge?gauge=bore-1', olga);
    await looks(browser, d, 'enter', '/enter?machine=mill-1', olga);
  },
};
