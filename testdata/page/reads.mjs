// Language and unit: a German browser is spoken to in German, somebody chooses
// inches, and longer words stick out nowhere.
import assert from 'node:assert/strict';
import { clean, looks, open, picture, ready, signIn, sizes } from './cell.mjs';

export default {
  async 'a German tablet decides in German, and inches are chosen'(browser, d) {
    const page = await open(browser, d, { viewport: sizes[1], locale: 'de-DE' });
    await page.waitForSelector('html[lang=de]');
    await ready(page);
    assert.match(await page.textContent('.card h2'), /Werkzeug .* um \d+,\d{4}\s?mm (größer|kleiner) machen\? gemessen \d+,\d{4}\s?mm, Ziel \d+,\d{4}\s?mm/);
    assert.match(await page.textContent('.card tbody'), /[+−]0\.\d{3,4} mm/); // registers as the control has them
    await signIn(page, 'Sem', d.pins.Sem);
    await picture(page, 'queue-german');
    await clean(page, 'queue-german');
    await (await ready(page, 'reject')).click();
    await page.click('#ask .tiles button:has-text("Span oder Schmutz")');
    await page.waitForSelector('.note:has-text("Sem hat abgelehnt: Span oder Schmutz.")');
    await page.click('footer a[href^="/reads"]');
    await page.click('main button:has-text("Zoll")');
    await page.waitForSelector('main button[aria-current=true]:has-text("Zoll")');
    await page.click('main p a.button');
    await ready(page);
    await page.waitForFunction(() => /\d,\d{5}\s?in, Ziel/.test(document.querySelector('.card h2')?.textContent));
    assert.match(await page.textContent('.card .bar'), /\d,\d{5} in/);
    await picture(page, 'queue-german-inch');
    assert.deepEqual(page.errors, []);
    await page.close();
  },

  async 'every place in German is fit to be looked at'(browser, d) {
    const german = async (page) => {
      await page.context().addCookies([{ name: 'offsetbridge_reads', value: 'de.mm', url: d.url }]);
    };
    for (const [name, path] of [['reads', '/reads?to=/'], ['machines', '/machines'], ['machine', '/machine?machine=mill-1'], ['first', '/first'], ['gauges', '/gauges'], ['history', '/history'], ['handover', '/handover'], ['capability', '/capability'], ['sign', '/sign'], ['loop', '/loop?machine=mill-1&loop=port+thread']]) {
      await looks(browser, d, `german-${name}`, path, german);
    }
  },
};
