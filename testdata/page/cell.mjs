// What the tests of the page share: a simulated cell, a browser's page, somebody who
// signs in, and the checker of accessibility.
import { spawn } from 'node:child_process';
import { mkdtempSync, mkdirSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import assert from 'node:assert/strict';

const axe = createRequire(import.meta.url).resolve('axe-core/axe.min.js');
export const [program, folder = mkdtempSync(join(tmpdir(), 'page-'))] = process.argv.slice(2);
mkdirSync(folder, { recursive: true });

// demo starts the simulated cell, where every decision is left to us.
export async function demo(cycle) {
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

export async function open(browser, d, more = {}) {
  const page = await browser.newPage({ viewport: { width: 1280, height: 800 }, ...more });
  page.errors = [];
  page.on('pageerror', (e) => page.errors.push(e.message));
  page.on('console', (m) => { if (m.type() === 'error' && !/status of 4\d\d/.test(m.text())) page.errors.push(m.text()); });
  page.on('request', (r) => { if (!r.url().startsWith(d.url) && !r.url().startsWith('data:')) page.errors.push(`asks elsewhere: ${r.url()}`); });
  await page.goto(d.url);
  return page;
}

export async function signIn(page, name, pin) {
  await page.click('#person');
  await page.click(`#sign .tiles button:has-text("${name}")`);
  for (const k of pin) await page.click(`#sign .keys button:text-is("${k}")`);
  await page.click('#sign [data-do=enter]');
  await page.waitForSelector(`#person:has-text("${name}")`);
}

// enter signs somebody in at a place that the server draws.
export async function enter(page, d, name, path) {
  await page.goto(new URL(`/sign?to=${path}`, d.url).href);
  await page.click(`.tiles a:has-text("${name}")`);
  await page.fill('input[name=pin]', d.pins[name]);
  await page.click('main button');
  await page.waitForSelector(`#person:has-text("${name}")`);
}

export async function clean(page, where) {
  await page.evaluate(readFileSync(axe, 'utf8')); // the page's policy keeps a script tag out
  const r = await page.evaluate(() => globalThis.axe?.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] }));
  assert.ok(r, 'the checker did not run');
  assert.deepEqual(r.violations.map((v) => `${where}: ${v.id}: ${v.nodes.map((n) => n.html).slice(0, 3).join(' | ')}`), []);
}

// ready waits for a card whose buttons can be used.
export const ready = (page, what = 'approve') => page.waitForSelector(`.card:not(.over) .decide:not([hidden]) [data-do=${what}][aria-disabled=false]`, { timeout: 30000 });

// picture takes one to look at.
export const picture = (page, name) => page.screenshot({ path: join(folder, `${name}.png`) });

// sizes are those of the screens that stand beside machines.
export const sizes = [{ width: 1280, height: 800 }, { width: 820, height: 1180 }];

// looks draws a place at every size, light and dark, and lets the checker of
// accessibility look: nothing may stick out, and what decides is large enough.
export async function looks(browser, d, name, path, before = async () => {}) {
  for (const viewport of sizes) {
    for (const colorScheme of ['light', 'dark']) {
      const page = await open(browser, d, { viewport, colorScheme });
      await before(page);
      await page.goto(new URL(path, d.url).href);
      await page.waitForSelector('body[data-news=""], #state:is(:has-text("live"), :has-text("aktuell"))');
      const at = `${name}-${viewport.width}-${colorScheme}`;
      await page.screenshot({ path: join(folder, `${at}.png`), fullPage: true });
      await clean(page, at);
      assert.ok(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth), `${at}: sticks out`);
      for (const b of await page.$$eval('main button, main a.button', (all) => all.map((b) => ({ text: b.textContent, ...b.getBoundingClientRect().toJSON() })).filter((b) => b.width))) {
        assert.ok(b.width >= 72 && b.height >= 72, `${at}: ${b.text} is ${b.width} × ${b.height}`);
      }
      assert.deepEqual(page.errors, []);
      await page.close();
    }
  }
}

// to goes on with the keyboard until something has the focus.
export async function to(page, selector) {
  for (let i = 0; i < 90; i++) {
    await page.keyboard.press('Tab');
    if (await page.evaluate((s) => document.activeElement.matches(s), selector)) return;
  }
  throw new Error(`the keyboard never gets to ${selector}`);
}
