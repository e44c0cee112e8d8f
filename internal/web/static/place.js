// A place that the server draws: this keeps what is on screen fresh while somebody
// looks, and never under a finger or while they type.
const $ = (q, at = document) => at.querySelector(q);
const say = document.body.dataset;
const set = (e, text) => { if (e && e.textContent !== text) e.textContent = text; };
let heard = performance.now();
let heardAt = new Date();
let connected = false;
let wanted = false;
let busy = false;
let touched = -1e9;
let told = 0;

function show() {
  const ok = connected && performance.now() - heard < 6000;
  document.body.classList.toggle('stale', !ok && performance.now() > 6000);
  set($('#state'), ok ? say.live : performance.now() > 6000 ? say.stale.replace('{at}', heardAt.toLocaleTimeString()) : say.connecting);
}

const typing = (e) => e.contains(document.activeElement) && document.activeElement.matches('input:not([type=hidden]), textarea, select') || [...e.querySelectorAll('input, textarea')].some((i) => i.value !== i.defaultValue || i.checked !== i.defaultChecked);

// renew takes over what the server draws now, part by part. What somebody types
// in stays; a decision that has become another one cannot be pressed at once.
async function renew() {
  if (busy || document.hidden || performance.now() - touched < 600) return;
  busy = true;
  wanted = false;
  try {
    const r = await fetch(location.href, { headers: { 'X-Refresh': '1' }, cache: 'no-store' });
    if (r.redirected) { location.reload(); return; }
    if (!r.ok) return;
    const next = new DOMParser().parseFromString(await r.text(), 'text/html');
    for (const e of next.querySelectorAll('main [data-live], nav, .tools, #alarm')) {
      const q = e.id ? '#' + CSS.escape(e.id) : e.localName + (e.className ? '.' + e.className : '');
      const old = $(q);
      if (!old || old.isEqualNode(e) || typing(old)) continue;
      const at = old.contains(document.activeElement) && document.activeElement;
      const was = new Set([...old.querySelectorAll('[data-digest]')].map((b) => b.dataset.digest));
      old.replaceWith(e);
      for (const b of e.querySelectorAll('[data-digest]')) {
        if (was.has(b.dataset.digest)) continue;
        b.setAttribute('aria-disabled', 'true');
        setTimeout(() => b.removeAttribute('aria-disabled'), 1500);
      }
      if (at) [...e.querySelectorAll(at.localName)].find((x) => x.id === at.id && x.textContent === at.textContent && x.getAttribute('href') === at.getAttribute('href'))?.focus();
    }
  } catch { /* the next news try again */ } finally { busy = false; }
}

if (say.news) {
  const s = new EventSource('/v1/news?machine=' + encodeURIComponent(say.news));
  const beat = () => { heard = performance.now(); heardAt = new Date(); connected = true; };
  s.addEventListener('news', () => { beat(); wanted = true; });
  s.addEventListener('alive', beat);
  s.onerror = () => { if (s.readyState === 2) setTimeout(() => location.reload(), 3000); };
  setInterval(() => { show(); if (wanted) renew(); }, 400);
  setInterval(() => { wanted = connected; }, 10000); // due dates and times come without news
}
$('[data-do=print]')?.addEventListener('click', () => print());
addEventListener('click', (e) => { if (e.target.closest('[aria-disabled=true]')) e.preventDefault(); }, true);
for (const kind of ['pointerdown', 'keydown']) {
  addEventListener(kind, () => {
    touched = performance.now();
    if (touched - told > 30000) { told = touched; fetch('/v1/session/touch', { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: '{}' }).catch(() => {}); }
  }, { passive: true, capture: true });
}
