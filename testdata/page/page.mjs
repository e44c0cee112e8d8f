// The story of the page in a real browser: somebody signs in, sees a card,
// decides it, and the register is proven; with the keyboard alone; with nothing
// for the checker of accessibility to say; and with pictures to look at.
//
//   node page.mjs PROGRAM [FOLDER FOR THE PICTURES]
import { spawn } from 'node:child_process';
import { mkdtempSync, mkdirSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import assert from 'node:assert/strict';
import { chromium } from 'playwright-core';

const axe = createRequire(import.meta.url).resolve('axe-core/axe.min.js');
const [program, folder = mkdtempSync(join(tmpdir(), 'page-'))] = process.argv.slice(2);
mkdirSync(folder, { recursive: true });

// demo starts the simulated cell, where every decision is left to us.
async function demo(cycle) {
  const p = spawn(program, ['demo', '--your-turn', '--cycle', cycle], { stdio: ['ignore', 'pipe', 'inherit'] });
  let said = '';
  p.stdout.on('data', (b) => { said += b; });
  const until = async (re, what) => {
    for (let i = 0; i < 600; i++) {
      const m = said.match(re);
      if (m) return m;
      await new Promise((ok) => setTimeout(ok, 50));
    }
    throw new Error(`the demonstration never said ${what}:\n${said}`);
  };
  const [, url] = await until(/The page: (\S+)/, 'where its page is');
  const pins = Object.fromEntries([...said.matchAll(/^ {2}(\w+) \(\w+\), PIN (\d+)$/gm)].map((m) => [m[1], m[2]]));
  return { url, pins, until, said: () => said, stop: () => { p.kill('SIGCONT'); p.kill('SIGTERM'); }, freeze: () => p.kill('SIGSTOP'), thaw: () => p.kill('SIGCONT') };
}

async function open(browser, d, more = {}) {
  const page = await browser.newPage({ viewport: { width: 1280, height: 800 }, ...more });
  page.errors = [];
  page.on('pageerror', (e) => page.errors.push(e.message));
  page.on('console', (m) => { if (m.type() === 'error' && !/status of 4\d\d/.test(m.text())) page.errors.push(m.text()); });
  page.on('request', (r) => { if (!r.url().startsWith(d.url) && !r.url().startsWith('data:')) page.errors.push(`asks elsewhere: ${r.url()}`); });
  await page.goto(d.url);
  return page;
}

async function signIn(page, name, pin) {
  await page.click('#person');
  await page.click(`#sign .tiles button:has-text("${name}")`);
  for (const k of pin) await page.click(`#sign .keys button:text-is("${k}")`);
  await page.click('#sign [data-do=enter]');
  await page.waitForSelector(`#person:has-text("${name}")`);
}

async function clean(page, where) {
  await page.evaluate(readFileSync(axe, 'utf8')); // the page's policy keeps a script tag out
  const r = await page.evaluate(() => globalThis.axe?.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] }));
  assert.ok(r, 'the checker did not run');
  assert.deepEqual(r.violations.map((v) => `${where}: ${v.id}: ${v.nodes.map((n) => n.html).slice(0, 3).join(' | ')}`), []);
}

// ready waits for a card whose buttons can be used.
const ready = (page, what = 'approve') => page.waitForSelector(`.card:not(.over) .decide:not([hidden]) [data-do=${what}][aria-disabled=false]`, { timeout: 30000 });

const tests = {
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
    const to = async (selector) => {
      for (let i = 0; i < 60; i++) {
        await page.keyboard.press('Tab');
        if (await page.evaluate((s) => document.activeElement.matches(s), selector)) return;
      }
      throw new Error(`the keyboard never gets to ${selector}`);
    };
    assert.equal(await page.evaluate(() => document.activeElement.tagName), 'BODY', 'something is focused before anybody asked for it');
    await to('#person');
    await page.keyboard.press('Enter');
    await to('#sign .tiles button:nth-child(2)');
    const who = await page.evaluate(() => document.activeElement.firstChild.textContent);
    await page.keyboard.press('Enter');
    await page.keyboard.type(d.pins[who]);
    await page.keyboard.press('Enter');
    await page.waitForSelector(`#person:has-text("${who}")`);
    await to('.card [data-do=reject]');
    await ready(page, 'reject');
    await page.keyboard.press('Enter');
    await page.waitForSelector('#ask[open]');
    await to('#ask input');
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

  async 'hold and resume with a cause'(browser, d) {
    const page = await open(browser, d);
    await signIn(page, 'Olga', d.pins.Olga);
    await page.click('#hold-all');
    await page.fill('#ask input', 'a look at everything');
    await page.click('#ask [data-do=enter]');
    await page.waitForSelector('#alarm.stop:has-text("a look at everything")');
    await page.click('nav [data-place=machines]');
    await page.waitForSelector('#needs li');
    await page.waitForSelector('.lines li[data-state=hold]');
    await clean(page, 'machines on hold');
    await page.screenshot({ path: join(folder, 'machines-held.png') });
    await page.click('#hold-all');
    await page.click('#ask [data-do=enter]'); // without a note it goes nowhere
    await page.waitForSelector('#ask .say:has-text("Write what you found")');
    await page.fill('#ask input', 'all is well');
    await page.click('#ask [data-do=enter]');
    await page.waitForSelector('#alarm', { state: 'hidden' });
    await page.waitForSelector('.lines li:not([data-state=hold])');
    assert.deepEqual(page.errors, []);
    await page.close();
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
          await page.click('nav [data-place=machines]');
          await page.click('.lines button[aria-expanded=false]');
          await page.waitForSelector('.inner li');
          await shot('machines');
          await clean(page, `machines ${at}`);
          assert.ok(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth), `${at}: machines stick out`);
          assert.deepEqual(page.errors, []);
          await page.close();
        }
      }
    }
  },
};

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
