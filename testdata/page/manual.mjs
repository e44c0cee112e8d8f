// The manual: open to everybody, without a script, and readable on every screen.
import assert from 'node:assert/strict';
import { looks, open, sizes } from './cell.mjs';

export default {
  async 'the manual is read without a script and without signing in'(browser, d) {
    const context = await browser.newContext({ viewport: sizes[1], javaScriptEnabled: false });
    const page = await context.newPage();
    await page.goto(d.url);
    await page.goto(new URL('/sign', d.url).href);
    await page.click('footer a[href="/manual"]');
    await page.click('nav.pages a:has-text("Safety")');
    assert.match(await page.textContent('article'), /Nothing here is a safety function/);
    await page.fill('input[name=about]', 'no-record');
    await page.click('main button');
    assert.match(await page.textContent('article'), /the machine has no record of that cut.*Cut another/s);
    await page.fill('input[name=about]', 'no-recrod');
    await page.click('main button');
    await page.click('main li a:has-text("no-record")');
    assert.match(await page.textContent('article'), /no record of that cut/);
    await context.close();
  },

  async 'every page of the manual is fit to be looked at'(browser, d) {
    const page = await open(browser, d, {});
    await page.goto(new URL('/manual', d.url).href);
    const all = await page.$$eval('nav.pages a', (links) => links.map((a) => a.getAttribute('href')));
    assert.ok(all.length > 7);
    await page.close();
    for (const path of ['/manual', '/manual?about=nothing-of-that', '/manual?about=presetter', '/manual?about=band', ...all]) await looks(browser, d, `manual-${path.split('=')[1] ?? 'contents'}`, path);
  },
};
