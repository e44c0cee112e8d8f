// The queue in a real browser: somebody signs in, sees a card, decides it, and the
// register is proven; with the keyboard alone; with two tablets at once.
import { join } from 'node:path';
import assert from 'node:assert/strict';
import { folder, open, signIn, clean, ready, picture, sizes, to } from './cell.mjs';

export default {
  async 'sign in, approve, proven'(browser, d) {
    const page = await open(browser, d);
    const other = await open(browser, d);
    await ready(page);
    await page.screenshot({ path: join(folder, 'queue-before.png') });
    await ready(page).then((b) => b.click());
    await page.waitForSelector('#sign[open]'); // nobody is signed in: nothing is decided
    await page.click('#sign [data-do=close]');
    await signIn(page, 'Sem', d.pins.Sem);
    const proven = '.note:has-text("Proven"):has-text("Approved by Sem")'; // others may be proven by themselves
    for (let i = 0; i < 20; i++) { // a newer card may take its place meanwhile
      await (await ready(page)).click();
      const sure = await page.$('.sure:not([hidden]) [data-do=yes][aria-disabled=false]');
      if (sure) await sure.click();
      const done = await page.waitForSelector(proven, { timeout: 3000 }).catch(() => null);
      if (done) break;
    }
    const say = await page.textContent(proven);
    assert.match(say, /reads back [+−]0\.\d{3} mm\. Approved by Sem\./);
    await page.screenshot({ path: join(folder, 'queue-proven.png') });
    await d.until(/reads back .*: proven/, 'that the register was proven');
    await other.waitForSelector('.note:has-text("Approved by Sem")'); // the other tablet is told who
    assert.deepEqual([page.errors, other.errors], [[], []]);
    await other.close();
    await page.close();
  },

  async 'with the keyboard alone'(browser, d) {
    const page = await open(browser, d);
    await ready(page);
    assert.equal(await page.evaluate(() => document.activeElement.tagName), 'BODY', 'something is focused before anybody asked for it');
    await to(page, '#person');
    await page.keyboard.press('Enter');
    await to(page, '#sign .tiles button:nth-child(2)');
    const who = await page.evaluate(() => document.activeElement.firstChild.textContent);
    await page.keyboard.press('Enter');
    await page.keyboard.type(d.pins[who]);
    await page.keyboard.press('Enter');
    await page.waitForSelector(`#person:has-text("${who}")`);
    await to(page, '.card [data-do=reject]');
    await ready(page, 'reject');
    await page.keyboard.press('Enter');
    await page.waitForSelector('#ask[open]');
    await to(page, '#ask input');
    await page.keyboard.type('tried with the keyboard');
    await page.keyboard.press('Enter');
    await page.waitForSelector('#ask:not([open])', { state: 'attached' });
    await page.waitForSelector(`.note:has-text("Rejected by ${who}: tried with the keyboard.")`);
    assert.deepEqual(page.errors, []);
    await page.close();
  },

  async 'two tablets at once'(browser, d) {
    const one = await open(browser, d);
    const two = await open(browser, d);
    await signIn(one, 'Sem', d.pins.Sem);
    await signIn(two, 'Enya', d.pins.Enya);
    const thread = '.card:has(h2:has-text("pitch"))'; // its first proposal is a setter's
    for (const p of [one, two]) {
      await p.waitForSelector(`${thread} .decide [data-do=approve][aria-disabled=false]`, { timeout: 30000 });
      await p.click(`${thread} [data-do=approve]`);
      await p.waitForSelector(`${thread} .sure:not([hidden])`);
    }
    await Promise.all([one, two].map((p) => p.click(`${thread} [data-do=yes]`, { timeout: 3000 }).catch(() => {})));
    const [, who] = await d.until(/port thread: approved by (demo-\d)/, 'who approved');
    const name = { 'demo-2': 'Sem', 'demo-3': 'Enya' }[who];
    for (const p of [one, two]) await p.waitForSelector(`.note:has-text("Approved by ${name}")`);
    await d.until(/T7-radius reads back .*: proven/, 'that it was proven');
    assert.equal(d.said().match(/port thread: approved/g).length, 1, 'approved more than once');
    assert.deepEqual([one.errors, two.errors], [[], []]);
    await one.close();
    await two.close();
  },

  async 'a part is measured again before anybody decides'(browser, d) {
    const one = await open(browser, d);
    const two = await open(browser, d);
    await signIn(one, 'Olga', d.pins.Olga);
    await signIn(two, 'Sem', d.pins.Sem);
    const thread = '.card:has(h2:has-text("pitch"))';
    for (let i = 0; ; i++) { // a newer card may take its place, which has no mark
      await one.waitForSelector(`${thread} [data-do=again][aria-disabled=false]`, { timeout: 30000 });
      await one.click(`${thread} [data-do=again]`);
      const told = await two.waitForSelector(`${thread} .note:has-text("Olga wants part")`, { timeout: 1500 }).catch(() => null);
      if (told) break;
      assert.ok(i < 5, 'the other tablet is not told');
    }
    assert.equal(await two.getAttribute(`${thread} [data-do=approve]`, 'aria-disabled'), 'true');
    await one.close();
    await two.close();
  },

  async 'less is asked for, and takes the place of the card'(browser, d) {
    for (const viewport of sizes) {
      const page = await open(browser, d, { viewport });
      await signIn(page, 'Sem', d.pins.Sem);
      for (let i = 0; ; i++) { // a newer card may take its place meanwhile
        await page.click('.card:not(.over) .less[aria-disabled=false]', { timeout: 30000 });
        await page.waitForSelector('#ask[open] .tiles button');
        const about = await page.textContent('#ask .about');
        await picture(page, `queue-less-${viewport.width}`);
        await clean(page, 'less');
        const chosen = await page.$eval('#ask .tiles button:last-child', (b) => { b.click(); return b.textContent; });
        const done = await page.waitForSelector(`.card tbody tr:first-child td:has-text("${chosen}")`, { timeout: 3000 }).catch(() => null);
        if (done) {
          assert.ok(about.includes('proposed'), about);
          break;
        }
        if (await page.$('#ask[open]')) await page.click('#ask [data-do=close]');
        assert.ok(i < 8, 'nobody gets the smaller amount');
      }
      await picture(page, `queue-lowered-${viewport.width}`);
      assert.deepEqual(page.errors, []);
      await page.close();
    }
  },

  async 'a newer card takes the place of an older one and no button moves'(browser, d) {
    for (const viewport of [{ width: 1280, height: 800 }, { width: 820, height: 1180 }]) {
      const page = await open(browser, d, { viewport });
      await ready(page);
      await page.evaluate(() => {
        globalThis.seen = [];
        const el = document.querySelector('.card');
        const button = el.querySelector('[data-do=approve]');
        let top = button.getBoundingClientRect().top;
        let id = el.dataset.id;
        const look = () => {
          const now = button.getBoundingClientRect().top;
          if (el.dataset.id !== id) globalThis.seen.push({ moved: now - top, off: button.getAttribute('aria-disabled') });
          [top, id] = [now, el.dataset.id];
          requestAnimationFrame(look);
        };
        requestAnimationFrame(look);
      });
      await page.waitForFunction(() => globalThis.seen.length >= 3, null, { timeout: 60000 });
      for (const x of await page.evaluate(() => globalThis.seen)) {
        assert.ok(Math.abs(x.moved) < 1, `the button moved by ${x.moved} px at ${viewport.width}`);
        assert.equal(x.off, 'true', 'the button of a card that just changed can be pressed');
      }
      assert.deepEqual(page.errors, []);
      await page.close();
    }
  },

  async 'a card that is not live cannot be decided'(browser, d) {
    const page = await open(browser, d);
    await ready(page);
    d.freeze(); // the server says nothing any more
    await page.waitForSelector('body.stale', { timeout: 15000 });
    assert.match(await page.textContent('#alarm'), /Not live since/);
    assert.equal(await page.$('.card [aria-disabled=false]:not([data-do=back])'), null);
    await page.screenshot({ path: join(folder, 'queue-stale.png') });
    await clean(page, 'stale');
    d.thaw();
    await page.waitForSelector('body:not(.stale)', { timeout: 15000 });
    await ready(page);
    await page.close();
  },

  async 'accessible, large enough, and nothing sticks out'(browser, d) {
    for (const [width, height] of [[1280, 800], [820, 1180]]) {
      for (const colorScheme of ['light', 'dark']) {
        for (const contrast of ['no-preference', 'more']) {
          const page = await open(browser, d, { viewport: { width, height }, colorScheme, contrast });
          await ready(page);
          const at = `${width} ${colorScheme} ${contrast}`;
          const shot = async (name) => { if (contrast === 'no-preference') await page.screenshot({ path: join(folder, `${name}-${width}-${colorScheme}.png`) }); };
          await shot('queue');
          await clean(page, `queue ${at}`);
          const boxes = await page.$$eval('.card:first-child .decide button', (all) => all.map((b) => b.getBoundingClientRect().toJSON()));
          for (const b of boxes) assert.ok(b.width >= 72 && b.height >= 72 && Math.abs(b.width - boxes[0].width) < 1, `${at}: buttons ${JSON.stringify(boxes)}`);
          for (let i = 1; i < 3; i++) assert.ok(boxes[i].left - boxes[i - 1].right >= 24, `${at}: the buttons stand too near`);
          assert.ok(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth), `${at}: sticks out`);
          await page.click('#person');
          await shot('who');
          await clean(page, `people ${at}`);
          await page.click('#sign .tiles button');
          await shot('pin');
          await clean(page, `PIN ${at}`);
          await page.click('#sign [data-do=close]');
          assert.deepEqual(page.errors, []);
          await page.close();
        }
      }
    }
  },
};
