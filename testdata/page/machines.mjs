// The list of machines, and one machine with its loops.
import assert from 'node:assert/strict';
import { open, clean, looks, picture, to } from './cell.mjs';

export default {
  async 'hold and resume with a cause'(browser, d) {
    const page = await open(browser, d);
    await page.goto(new URL('/machines', d.url).href);
    await page.click('#person');
    await page.click('.tiles a:has-text("Olga")');
    await page.fill('input[name=pin]', d.pins.Olga);
    await page.click('main button');
    await page.waitForSelector('#person:has-text("Olga")');
    assert.equal(new URL(page.url()).pathname, '/machines');
    await page.click('#hold-all');
    await page.fill('input[name=note]', 'a look at everything');
    await page.click('main button');
    await page.waitForSelector('#alarm.stop:has-text("a look at everything")');
    await page.waitForSelector('#needs li');
    await page.waitForSelector('.lines li[data-state=hold]');
    await clean(page, 'machines on hold');
    await picture(page, 'machines-held');
    await page.click('#hold-all');
    await page.fill('input[name=note]', '   '); // without a note it goes nowhere
    await page.click('main button');
    await page.waitForSelector('#refused:has-text("A reason is needed")');
    await page.fill('input[name=note]', 'all is well');
    await page.click('main button');
    await page.waitForSelector('#alarm', { state: 'hidden' });
    await page.waitForSelector('#all li:not([data-state=hold])');
    assert.deepEqual(page.errors, []);
    await page.close();
  },

  async 'machines with the keyboard alone'(browser, d) {
    const page = await open(browser, d);
    await to(page, 'nav [data-place=machines]');
    await page.keyboard.press('Enter');
    await page.waitForURL('**/machines');
    await to(page, '#all a');
    await page.keyboard.press('Enter');
    await page.waitForURL('**/machine?*');
    assert.deepEqual(page.errors, []);
    await page.close();
  },

  async 'machines: accessible, large enough, and nothing sticks out'(browser, d) {
    await looks(browser, d, 'machines', '/machines');
    await looks(browser, d, 'machine', '/machine?machine=mill-1');
    await looks(browser, d, 'loop', '/loop?machine=mill-1&loop=spool%20bore');
    await looks(browser, d, 'sign', '/sign?to=/machines');
    await looks(browser, d, 'pin', '/sign?person=demo-1&to=/machines');
    await looks(browser, d, 'hold', '/hold?machine=mill-1&to=/machines');
  },
};
