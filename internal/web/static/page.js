// The queue: what waits for a person. It draws what the server says and sends what
// a person decides; it works nothing out by itself.
import { drawBar, drawTrend } from './draw.js';

// Every text of the page stands in one catalogue; another language is another file.
const words = await (await fetch(`/${document.documentElement.lang}.json`)).json();
const t = (key, vars = {}) => String(words[key] ?? key).replace(/\{(\w+)\}/g, (_, k) => vars[k] ?? '');
const $ = (q, at = document) => at.querySelector(q);
const $$ = (q, at = document) => [...at.querySelectorAll(q)];
const cap = (s) => s && s[0].toUpperCase() + s.slice(1);
const make = (tag, text, into, more = {}) => {
  const e = document.createElement(tag);
  if (text != null) e.textContent = text;
  Object.assign(e, more);
  into?.append(e);
  return e;
};
const set = (e, text) => { if (e.textContent !== text) e.textContent = text; };

for (const e of $$('[data-t]')) e.textContent = t(e.dataset.t);
for (const tpl of $$('template')) for (const e of $$('[data-t]', tpl.content)) e.textContent = t(e.dataset.t);

let session = { people: [], watch: false };
let board = null; // as it was last heard
let heard = 0; // when the server was last heard
let heardAt = new Date();
let boardAt = 0;
let stream = null;
let touched = 0;
const slots = new Map(); // cards by machine and loop: a newer one takes the older one's place

const ranks = ['', 'viewer', 'operator', 'setter', 'engineer'];
const may = (need) => !!session.person && ranks.indexOf(session.person.role) >= ranks.indexOf(need || 'operator');
const name = (id) => session.people.find((p) => p.id === id)?.name || id;
const live = () => performance.now() - heard < 6000 && heard > 0;

// ------------------------------------------------------------------ server

class No extends Error {
  constructor(status, code, message, wait, by) { super(message); Object.assign(this, { status, code, wait, by }); }
}

async function call(method, path, body) {
  const r = await fetch(path, { method, headers: body ? { 'Content-Type': 'application/json' } : {}, body: body && JSON.stringify(body), cache: 'no-store' })
    .catch(() => { throw new No(0, 'lost', t('lost')); });
  const got = await r.json().catch(() => ({}));
  if (r.ok) return got;
  if (r.status === 401) know();
  throw new No(r.status, got.error?.code, words[`code.${got.error?.code}`] || got.error?.message || t('lost'), +r.headers.get('Retry-After'), got.error?.by);
}

async function know() {
  try { session = await call('GET', '/v1/session'); } catch { return; }
  const b = $('#person');
  set(b, session.person ? `${session.person.name} · ${t(session.person.role + '_')}` : t('sign_in'));
  if (!stream && (session.watch || session.person)) connect();
  if (!session.watch && !session.person) { stream?.close(); stream = null; if (!$('dialog[open]')) sign(); }
  show();
}

function connect() {
  stream?.close();
  const s = stream = new EventSource('/v1/live');
  const beat = () => { heard = performance.now(); heardAt = new Date(); };
  s.addEventListener('board', (e) => { beat(); board = JSON.parse(e.data); boardAt = heard; show(); });
  s.addEventListener('alive', (e) => { beat(); if (JSON.parse(e.data).signed_in !== !!session.person) know(); });
  s.onerror = () => { if (s.readyState === 2 && stream === s) setTimeout(() => { if (stream === s) { stream = null; know(); } }, 1000); };
}

// ------------------------------------------------------------------- queue

const where = (c) => `${c.machine}/${c.loop}`;

function show() {
  const ok = live();
  document.body.classList.toggle('stale', !ok && !!board);
  const alarm = $('#alarm');
  let say = '';
  if (board && !ok) say = t('stale', { at: heardAt.toLocaleTimeString() });
  else if (board?.hold_all) say = t('held_all', { note: board.hold_all.note ? board.hold_all.note + '.' : '' });
  else if (board && !board.broker.up) say = t('broker');
  set(alarm, say);
  alarm.hidden = !say;
  alarm.classList.toggle('stop', ok && !!board?.hold_all);
  set($('#state'), !board || !ok ? t('connecting') : board.journal_verified ? t('live') : t('unverified'));
  set($('#hold-all'), t(board?.hold_all ? 'resume_all' : 'hold_all'));
  if (!board) return;
  const open = board.proposals.filter((p) => p.status === 'pending').length;
  set($('[data-n=queue]'), open ? String(open) : '');
  set($('[data-n=machines]'), board.holds ? String(board.holds) : '');
  cards();
}

// steady keeps what is on screen where it is while cards change above it: no
// button moves under a finger.
function steady(change) {
  const held = [...slots.values()].map((s) => [s.el, $('.decide', s.el).parentNode.lastElementChild.getBoundingClientRect().top])
    .find(([, top]) => top > 160 && top < innerHeight + 60);
  change();
  if (held?.[0].isConnected) scrollBy(0, held[0].lastElementChild.getBoundingClientRect().top - held[1]);
}

// keep lets a part of a card grow, never shrink, while the card stands there.
function keep(s) {
  for (const e of $$('h2, .facts', s.el)) {
    const h = Math.ceil(e.getBoundingClientRect().height);
    if (s.wide !== innerWidth) e.style.minHeight = '';
    else if (h) e.style.minHeight = h + 'px';
  }
  s.wide = innerWidth;
}

const cards = () => steady(fill);

function fill() {
  for (const c of board.proposals) {
    let s = slots.get(where(c));
    if (!s && c.status !== 'pending') continue; // it steers by itself, nobody is asked
    if (!s) {
      s = { el: $('#card').content.cloneNode(true).firstElementChild, calm: 0 };
      slots.set(where(c), s);
      $('.trend', s.el).setAttribute('aria-label', t('trend_none'));
      $('.cards').append(s.el);
      s.el.addEventListener('click', (e) => press(s, e));
    }
    if (s.card && s.card.id !== c.id) { s.calm = performance.now() + 1500; s.sure = false; s.said = ''; }
    if (s.card?.id !== c.id) trend(s, c);
    Object.assign(s, { card: c, closed: null, gone: 0 });
  }
  for (const [key, s] of slots) {
    const still = board.proposals.some((c) => c.id === s.card.id);
    if (!still && !s.gone) { s.gone = performance.now(); s.sure = false; }
    if (!still) s.closed = (board.closed || []).findLast((c) => c.id === s.card.id) || s.closed;
    // Nothing moves under a finger: the last one goes by itself, others when nobody touches the page.
    const age = performance.now() - s.gone;
    if (s.gone && age > 20000 && (performance.now() - touched > 5000)) { s.el.remove(); slots.delete(key); continue; }
    card(s);
    keep(s);
  }
  $('.empty').hidden = slots.size > 0;
}

const left = (c) => c.expires_in_s - (performance.now() - boardAt) / 1000;
const clock = (s) => `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, '0')}`;
const larger = (c) => c.two || c.need && ranks.indexOf(c.need) > 2;
const mine = (c) => c.agreed_by && c.agreed_by === session.person?.id;

// card fills the places of a card; they never move.
function card(s) {
  const { el, card: c } = s;
  const put = (f, text) => set($(`[data-f=${f}]`, el), text);
  const pending = c.status === 'pending' && !s.gone;
  el.dataset.id = c.id;
  const secs = left(c);
  put('where', t('where', c) + (c.first_part ? ' · ' + t('first') : ''));
  put('left', !pending ? '' : secs > 0 ? t('left', { t: clock(secs) }) : t('ended'));
  put('say', cap(c.say).replace(/(\d) (mm|in|µm)/g, '$1\u00a0$2'));
  const checks = [...new Set([c.waiting, c.smaller_than && t('lowered'), c.because].filter(Boolean))].map(cap);
  for (const x of c.sizes || []) checks.push(t('sizes', { name: x.characteristic, ...x }) + (x.harmed ? ', ' + t('harmed') : ''));
  put('checks', checks.join('. ') || t('quiet'));
  put('need', pending ? t(c.two ? 'need_two' : 'need', { role: t(c.need || 'operator') }) : t('need_none'));
  const n = c.in_transit;
  put('acts', cap(t(n > 1 ? 'transit' : 'transit' + n, { n, when: t(c.effective === 'at once' ? 'at_once' : c.effective) })));
  rows(el, c);
  put('by-hand', c.by_hand || '');
  $('.hand', el).hidden = !c.by_hand;
  const key = c.id + c.digest;
  if (s.drawn !== key) { drawBar($('.bar', el), c, t); s.drawn = key; }
  note(s, pending);
  el.classList.toggle('over', !!s.gone);
  buttons(s, pending && secs > 0);
}

function rows(el, c) {
  const body = $('tbody', el);
  const key = JSON.stringify(c.registers) + c.cuts;
  if (body.dataset.key === key) return;
  body.dataset.key = key;
  body.replaceChildren();
  for (const r of c.registers) {
    const tr = make('tr', null, body);
    make('th', r.register, tr, { scope: 'row' });
    make('td', r.old, tr);
    make('td', r.new, tr);
  }
  const tr = make('tr', null, body);
  make('th', t(c.cuts), tr, { scope: 'row' });
  make('td', '', tr);
  make('td', c.change, tr);
}

function note(s, pending) {
  const { card: c, closed } = s;
  let say = s.said || '';
  let warn = !!s.said;
  if (closed) {
    const v = { say: closed.say, who: name(closed.who) };
    say = t(closed.how === 'rejected' ? 'rejected' : closed.how === 'ended' ? 'over' : closed.how + (closed.who ? '_by' : ''), v);
    warn = closed.how === 'failed';
  } else if (s.gone) say = t('ended');
  else if (performance.now() < s.calm) { say = t('changed'); warn = true; }
  else if (c.again && pending) say = t('marked', { who: name(c.again), part: c.part });
  else if (c.agreed_by && pending) say = t('agreed', { who: name(c.agreed_by) });
  else if (c.status === 'ready') { say = t('approved', { who: name(c.approved_by), waiting: cap(c.waiting) + (c.waiting ? '.' : '') }); warn = false; }
  else if (c.status === 'sent') { say = t('sending'); warn = false; }
  const p = $('[data-f=note]', s.el);
  set(p, say);
  p.classList.toggle('warn', warn && !!say);
}

function buttons(s, open) {
  const { el, card: c } = s;
  const can = open && live() && performance.now() > s.calm && !s.busy;
  const put = (what, text, on) => {
    const b = $(`[data-do=${what}]`, el);
    set(b.lastElementChild || b, text);
    const off = String(!on);
    if (b.getAttribute('aria-disabled') !== off) b.setAttribute('aria-disabled', off);
  };
  const short = session.person && !may(c.need);
  put('approve', short ? t('larger_role', { role: t(c.need) }) : t(mine(c) ? 'another' : 'approve'), can && !c.again && !mine(c));
  put('again', t(c.again ? 'again_off' : 'again'), can && !!c.measured);
  put('reject', t('reject'), can);
  put('less', t('ask_less'), can && !c.again);
  $('[data-do=less]', el).hidden = !c.less || !open;
  put('back', t('back'), true);
  put('yes', t('yes'), can && !c.again);
  $('.decide', el).hidden = !!s.sure;
  $('.sure', el).hidden = !s.sure;
  set($('.sure p', el), t('sure', { regs: c.registers.map((r) => `${r.register} ${r.old} → ${r.new}`).join(', ') }));
}

async function trend(s, c) {
  try {
    const got = await call('GET', `/v1/trend/${encodeURIComponent(c.machine)}?loop=${encodeURIComponent(c.loop)}`);
    if (s.card?.id === c.id) drawTrend($('.trend', s.el), got.points, c, t);
  } catch { /* the picture is missing, nothing else */ }
}

async function press(s, e) {
  const b = e.target.closest('button');
  if (!b || b.getAttribute('aria-disabled') === 'true') return;
  const seen = s.card; // decide what is on screen now, not what comes meanwhile
  const what = b.dataset.do;
  if (what === 'back') { s.sure = false; card(s); $('[data-do=approve]', s.el).focus(); return; }
  const need = what === 'approve' || what === 'yes' ? seen.need : 'operator';
  if (!may(need)) { sign(); return; }
  if (what === 'approve' && larger(seen)) { s.sure = true; card(s); $('[data-do=back]', s.el).focus(); return; }
  if (what === 'reject') { reject(s, seen); return; }
  if (what === 'less') { less(seen); return; }
  if (what === 'again') return decide(s, seen, 'measure', { on: !seen.again });
  return decide(s, seen, 'approve', { digest: seen.digest });
}

async function decide(s, c, what, body) {
  s.busy = true;
  s.said = '';
  card(s);
  try {
    await call('POST', to(c, what), body);
    s.sure = false;
  } catch (e) {
    if (e.code === 'identify') { s.busy = false; sign({ again: () => decide(s, c, what, body) }); return; }
    s.sure = false;
    if (s.card.id === c.id) s.said = e.by ? t('too_slow', { who: name(e.by) }) : t('refused', { say: cap(e.message) });
  } finally {
    s.busy = false;
    card(s);
  }
}

const to = (c, what) => `/v1/queue/${c.id.split('/').map(encodeURIComponent).join('/')}/${what}`;

function less(c) {
  ask({
    title: t('why_less'), about: t('less_about', c.registers[0]), choices: c.less.map((x) => x.text),
    run: (text) => call('POST', to(c, 'lower'), { digest: c.digest, new_nm: c.less.find((x) => x.text === text).new_nm }),
  });
}

function reject(s, c) {
  ask({
    title: t('why_reject'), about: t('reject_about'), choices: words.reasons, what: t('own_words'), enter: t('do_reject'), must: t('why_reject'),
    run: (reason) => call('POST', to(c, 'reject'), { reason }),
  });
}

// ------------------------------------------------------------------- holds

function holdOf(scope, what) {
  ask({ title: t('do_hold', { what }), about: t('hold_about'), what: t('hold_what'), enter: t('do_hold', { what }), run: (note) => call('POST', '/v1/hold', { ...scope, note }) });
}

function resumeOf(n) {
  const scope = n.machine ? { machine: n.machine, loop: n.loop } : {};
  const what = n.machine ? [n.machine, n.loop].filter(Boolean).join(' · ') : t('everything');
  if (!may(n.clear)) return sign();
  ask({ title: t('do_resume', { what }), about: cap(n.say) + '.', what: t('resume_what'), enter: t('do_resume', { what }), must: t('need_note'), run: (note) => call('POST', '/v1/resume', { ...scope, cause: n.cause, note }) });
}

// ----------------------------------------------------------------- dialogs

let asked = null;

function ask(q) {
  if (!may('operator')) return sign();
  asked = q;
  const d = $('#ask');
  set($('h2', d), q.title);
  set($('.about', d), q.about || '');
  set($('.what', d), q.what || '');
  $('label', d).hidden = $('[data-do=enter]', d).hidden = !q.what;
  set($('.say', d), '');
  set($('[data-do=enter]', d), q.enter || '');
  $('input', d).value = '';
  $('.tiles', d).replaceChildren(...(q.choices || []).map((c) => make('button', c, null, { type: 'button', onclick: () => answer(c) })));
  d.showModal();
  $('h2', d).focus();
}

async function answer(text) {
  const d = $('#ask');
  if (asked.must && !text.trim()) { set($('.say', d), asked.must); $('input', d).focus(); return; }
  try {
    await asked.run(text.trim());
    d.close();
  } catch (e) { set($('.say', d), cap(e.message) + '.'); }
}

let signing = null; // who is about to enter a PIN, and what comes after

function sign(then = {}) {
  if (session.first) { location.href = '/sign'; return; }
  const d = $('#sign');
  signing = then;
  const tiles = $('.tiles', d);
  tiles.replaceChildren();
  set($('h2', d), session.people.length ? t('who') : t('nobody_known'));
  $('.pin', d).hidden = $('[data-do=enter]', d).hidden = true;
  $('[data-do=out]', d).hidden = !session.person;
  tiles.hidden = false;
  for (const p of session.people) {
    const b = make('button', p.name, tiles, { type: 'button', onclick: () => pin(p) });
    make('small', t(p.role + '_'), b);
  }
  if (!d.open) d.showModal();
  if (then.again) pin(session.person);
  else $('h2', d).focus();
}

function pin(p) {
  const d = $('#sign');
  signing.person = p;
  set($('h2', d), t(signing.again ? 'pin_again' : 'pin_of', p));
  $('.tiles', d).hidden = $('[data-do=out]', d).hidden = true;
  $('.pin', d).hidden = $('[data-do=enter]', d).hidden = false;
  set($('.say', d), '');
  $('input', d).value = '';
  $('input', d).focus();
}

async function enter() {
  const d = $('#sign');
  const input = $('input', d);
  const p = signing.person;
  if (!p || !input.value || signing.busy) return;
  signing.busy = true;
  const body = signing.again ? { pin: input.value } : { person: p.id, pin: input.value };
  try {
    for (let tries = 0; ; tries++) {
      try { await call('POST', signing.again ? '/v1/session/proof' : '/v1/session', body); break; } catch (e) {
        if (e.code !== 'wait' || e.wait > 3 || tries > 4) throw e;
        set($('.say', d), t('moment'));
        await new Promise((ok) => setTimeout(ok, e.wait * 1000));
      }
    }
    d.close();
    await know();
    signing.again?.();
  } catch (e) {
    set($('.say', d), cap(e.message) + '.');
    input.value = '';
    input.focus();
  } finally { signing.busy = false; }
}

for (const k of ['1', '2', '3', '4', '5', '6', '7', '8', '9', '⌫', '0']) {
  make('button', k, $('.keys'), { type: 'button', ariaLabel: k === '⌫' ? t('clear') : k, onclick: () => {
    const i = $('#sign input');
    i.value = k === '⌫' ? '' : i.value + k;
  } });
}
$('#sign form').onsubmit = (e) => { e.preventDefault(); enter(); };
$('#ask form').onsubmit = (e) => { e.preventDefault(); answer($('#ask input').value); };
for (const d of $$('dialog')) $('[data-do=close]', d).onclick = () => d.close();
$('#sign [data-do=out]').onclick = async () => { $('#sign').close(); await call('DELETE', '/v1/session').catch(() => {}); know(); };
$('#person').onclick = () => sign();
$('#hold-all').onclick = () => (!may('operator') ? sign() : board?.hold_all ? resumeOf(board.hold_all) : holdOf({}, t('everything')));

let told = 0; // when the server last heard that somebody acts
for (const kind of ['pointerdown', 'keydown']) {
  addEventListener(kind, () => {
    touched = performance.now();
    if (session.person && touched - told > 30000) { told = touched; call('POST', '/v1/session/touch', {}).catch(() => {}); }
  }, { passive: true, capture: true });
}
setInterval(show, 500);
know();
