// The pictures of a card, drawn from the same nanometres that are sent.

const svg = (tag, attributes, into, text) => {
  const e = document.createElementNS('http://www.w3.org/2000/svg', tag);
  for (const k in attributes) e.setAttribute(k, attributes[k]);
  if (text != null) e.textContent = text;
  into.append(e);
  return e;
};

// drawBar shows limits, aim, what was measured and what is expected after the
// change with its uncertainty, on one line.
export function drawBar(into, c, t) {
  const b = c.bar;
  const all = [b.low_nm, b.high_nm, c.measured ? b.measured_nm : b.aim_nm, b.predicted_nm - b.spread_nm, b.predicted_nm + b.spread_nm];
  const lo = Math.min(...all), hi = Math.max(...all);
  const x = (nm) => 70 + ((nm - lo) / (hi - lo || 1)) * 520;
  const near = (nm) => Math.min(560, Math.max(100, x(nm)));
  into.replaceChildren();
  into.setAttribute('aria-label', t('bar', { low: b.low, high: b.high, aim: c.aim, measured: c.measured, predicted: c.predicted, spread: c.spread }));
  const y = 92;
  svg('rect', { class: 'zone', x: x(b.low_nm), y: y - 16, width: x(b.high_nm) - x(b.low_nm), height: 32 }, into);
  svg('line', { class: 'thin', x1: 20, x2: 640, y1: y, y2: y }, into);
  for (const [nm, label, anchor, text] of [[b.low_nm, 'low', 'start', b.low], [b.high_nm, 'high', 'end', b.high]]) {
    svg('line', { class: 'edge', x1: x(nm), x2: x(nm), y1: y - 24, y2: y + 24 }, into);
    const at = anchor === 'start' ? Math.max(4, x(nm) - 56) : Math.min(656, x(nm) + 56);
    svg('text', { x: at, y: 172, 'text-anchor': anchor, class: 'dim' }, into, `${t(label)} ${text}`);
  }
  svg('line', { class: 'dash', x1: x(b.aim_nm), x2: x(b.aim_nm), y1: 24, y2: y + 24 }, into);
  svg('text', { x: near(b.aim_nm), y: 16, 'text-anchor': 'middle', class: 'dim' }, into, `${t('aim')} ${c.aim}`);
  const p = x(b.predicted_nm), s = x(b.predicted_nm + b.spread_nm) - p;
  svg('line', { class: 'span', x1: p - s, x2: p + s, y1: y, y2: y }, into);
  for (const at of [p - s, p + s]) svg('line', { class: 'span', x1: at, x2: at, y1: y - 8, y2: y + 8 }, into);
  svg('circle', { class: 'dot', cx: p, cy: y, r: 9 }, into);
  svg('text', { x: Math.min(530, Math.max(130, p)), y: 56, 'text-anchor': 'middle', 'font-weight': 700 }, into, `${t('then')} ${c.predicted} ${c.spread}`);
  if (!c.measured) return; // no reading asks for it
  const m = x(b.measured_nm);
  svg('path', { class: 'ring', d: `M${m} ${y + 12}l10 18h-20z` }, into);
  svg('text', { x: near(b.measured_nm), y: 144, 'text-anchor': 'middle', 'font-weight': 700 }, into, `${t('measured')} ${c.measured}`);
}

// drawTrend shows the last sizes from aim between the limits, and where the loop
// was corrected.
export function drawTrend(into, points, c, t) {
  const sizes = points.filter((p) => !p.change);
  into.replaceChildren();
  into.setAttribute('aria-label', sizes.length ? t('trend', { all: points.map((p) => (p.change ? t('correction') : p.say)).join(', ') }) : t('trend_none'));
  const low = c.bar.low_nm - c.bar.aim_nm, high = c.bar.high_nm - c.bar.aim_nm;
  const lo = Math.min(low, ...sizes.map((p) => p.from_aim_nm)), hi = Math.max(high, ...sizes.map((p) => p.from_aim_nm));
  const y = (nm) => 140 - ((nm - lo) / (hi - lo || 1)) * 110;
  svg('text', { x: 8, y: 16, class: 'dim' }, into, t('last10'));
  svg('rect', { class: 'zone', x: 8, y: y(high), width: 314, height: y(low) - y(high) }, into);
  svg('line', { class: 'dash', x1: 8, x2: 322, y1: y(0), y2: y(0) }, into);
  const step = 290 / Math.max(1, points.length - 1);
  let last = null;
  points.forEach((p, i) => {
    const x = 20 + i * step;
    if (p.change) {
      svg('line', { class: 'thin', x1: x, x2: x, y1: 26, y2: 146 }, into);
      svg('path', { class: 'dot', d: `M${x - 6} 146h12l-6-9z` }, into);
      return;
    }
    if (last) svg('line', { class: 'thin', x1: last[0], y1: last[1], x2: x, y2: y(p.from_aim_nm) }, into);
    last = [x, y(p.from_aim_nm)];
  });
  points.forEach((p, i) => { if (!p.change) svg('circle', { class: i === points.length - 1 ? 'ring' : 'dot', cx: 20 + i * step, cy: y(p.from_aim_nm), r: 5 }, into); });
  if (points.some((p) => p.change)) svg('text', { x: 8, y: 170, class: 'dim' }, into, `▲ ${t('correction')}`);
}
