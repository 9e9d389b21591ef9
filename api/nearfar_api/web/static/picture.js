// The picture: deep zoom, maps and gaps over it, another version under a wipe. All of it by keys, buttons and touch.
const box = document.getElementById('viewer'), tools = document.getElementById('tools'), said = document.getElementById('said');
const wipe = document.getElementById('wipe'), other = document.getElementById('other'), zoom = document.getElementById('zoom');
const gaps = [...document.querySelectorAll('.gaps li')].map(item => ({ item, box: item.dataset.box.split(',').map(Number) }));
const SVG = 'http://www.w3.org/2000/svg', still = matchMedia('(prefers-reduced-motion: reduce)').matches;
const OSD = OpenSeadragon, TRANSLUCENT = 0.62;

// A proxy may speak another scheme or name than the server knows of: tiles are asked for where this page lies.
async function source(address) {
  const answer = await fetch(`${address}/info.json`);
  if (!answer.ok) throw new Error((await answer.json()).detail);
  return { ...await answer.json(), id: new URL(address, location.href).href };
}

box.replaceChildren();
const viewer = OSD({
  element: box, showNavigationControl: false, drawer: 'canvas', imageSmoothingEnabled: true, maxZoomPixelRatio: 8, visibilityRatio: 0.4,
  animationTime: still ? 0 : 0.5, immediateRender: still, gestureSettingsMouse: { clickToZoom: false }, tileSources: [await source(box.dataset.picture)],
});
const marks = document.createElementNS(SVG, 'svg'), line = document.createElementNS(SVG, 'line');
const rects = gaps.map(() => document.createElementNS(SVG, 'rect'));
marks.classList.add('marks');
marks.setAttribute('aria-hidden', 'true');
marks.append(...rects, line);
const layers = {};
let over = null, blinking = false, gap = -1;
const picture = () => viewer.world.getItemAt(0);
const pressed = name => tools.querySelector(`[data-do=${name}]`);

async function add(address, options) {
  const tileSource = await source(address);
  return new Promise((success, error) => viewer.addTiledImage({ tileSource, x: 0, y: 0, width: 1, success: e => success(e.item), error, ...options }));
}

function redraw() {
  const image = picture();
  if (!image) return;
  gaps.forEach(({ box: [x, y, w, h] }, k) => {
    const a = image.imageToViewerElementCoordinates(new OSD.Point(x, y)), b = image.imageToViewerElementCoordinates(new OSD.Point(x + w, y + h));
    for (const [name, value] of Object.entries({ x: a.x, y: a.y, width: b.x - a.x, height: b.y - a.y })) rects[k].setAttribute(name, value);
    rects[k].classList.toggle('here', k === gap);
  });
  const percent = Math.round(100 * image.viewportToImageZoom(viewer.viewport.getZoom(true)) * devicePixelRatio);
  zoom.textContent = `${percent} %`;
  cut();
}

// The other version lies over this one, to the right of a line that stays where it is on the screen.
function cut() {
  line.classList.toggle('hidden', !over);
  if (!over) return;
  const x = box.clientWidth * wipe.value / 100, size = over.getContentSize();
  const left = Math.max(0, Math.min(size.x, over.viewerElementToImageCoordinates(new OSD.Point(x, 0)).x));
  for (const [name, value] of Object.entries({ x1: x, x2: x, y1: 0, y2: box.clientHeight })) line.setAttribute(name, value);
  over.setOpacity(!blinking && left >= size.x ? 0 : 1);
  over.setClip(blinking ? null : new OSD.Rect(left, 0, Math.max(1, size.x - left), size.y));
}

async function toggle(name) {
  const on = pressed(name).getAttribute('aria-pressed') !== 'true';
  pressed(name).setAttribute('aria-pressed', on);
  layers[name] ??= add(box.dataset[name], { opacity: 0 });
  const layer = await layers[name].catch(error => { said.textContent = error.message; });
  layer?.setOpacity(on ? TRANSLUCENT : 0);
  document.querySelector(`[data-legend=${name}]`).hidden = !on;
}

function toggleGaps() {
  const on = pressed('gaps').getAttribute('aria-pressed') !== 'true';
  pressed('gaps').setAttribute('aria-pressed', on);
  for (const rect of rects) rect.classList.toggle('hidden', !on);
}

function look(k) {
  if (!gaps.length) return;
  gap = (k + gaps.length) % gaps.length;
  const [x, y, w, h] = gaps[gap].box, margin = 0.4 * Math.max(w, h, 100);
  viewer.viewport.fitBounds(picture().imageToViewportRectangle(x - margin / 2, y - margin / 2, w + margin, h + margin), still);
  said.textContent = `Gap ${gap + 1} of ${gaps.length}: ${gaps[gap].item.querySelector('button').textContent}`;
  redraw();
}

async function choose() {
  if (over) viewer.world.removeItem(over);
  over = null;
  const chosen = other.selectedOptions[0];
  if (chosen.value) over = await add(chosen.dataset.picture, { index: 1 }).catch(error => { said.textContent = error.message; return null; });
  wipe.disabled = pressed('blink').disabled = !over;
  cut();
}

function blink(on) {
  if (!over || on === blinking) return;
  blinking = on;
  pressed('blink').setAttribute('aria-pressed', on);
  cut();
}

function slide(by) { if (over) { wipe.value = Number(wipe.value) + by; cut(); } }
function move(x, y) { viewer.viewport.panBy(viewer.viewport.deltaPointsFromPixels(new OSD.Point(x * box.clientWidth / 6, y * box.clientHeight / 6)), still); }
function closer(by) { viewer.viewport.zoomBy(by, undefined, still).applyConstraints(); }

const acts = {
  in: () => closer(1.5), out: () => closer(1 / 1.5), all: () => viewer.viewport.goHome(still), focus: () => toggle('focus'), doubt: () => toggle('doubt'),
  full: () => viewer.viewport.zoomTo(picture().imageToViewportZoom(1 / devicePixelRatio), undefined, still), blink: () => blink(!blinking),
  gaps: () => gaps.length && toggleGaps(),
  wipe: () => { if (other) { other.selectedIndex = over ? 0 : Math.max(1, other.selectedIndex); return choose(); } },
};
const keys = {
  '+': acts.in, '=': acts.in, '-': acts.out, 0: acts.all, 1: acts.full, f: acts.focus, d: acts.doubt, g: acts.gaps, n: () => look(gap + 1), w: acts.wipe,
  b: () => blink(true), '[': () => slide(-4), ']': () => slide(4),
  ArrowLeft: () => move(-1, 0), ArrowRight: () => move(1, 0), ArrowUp: () => move(0, -1), ArrowDown: () => move(0, 1),
};

viewer.addHandler('canvas-key', e => { e.preventDefaultAction = true; });
viewer.addHandler('canvas-key-press', e => { e.preventDefaultAction = true; });
for (const name of ['open', 'update-viewport', 'resize']) viewer.addHandler(name, redraw);
box.addEventListener('keydown', e => {
  if (e.ctrlKey || e.metaKey || e.altKey || !(e.key in keys)) return;
  e.preventDefault();
  if (!(e.repeat && e.key.length === 1 && /[fdgw]/.test(e.key))) keys[e.key]();
});
box.addEventListener('keyup', e => { if (e.key === 'b') blink(false); });
tools.addEventListener('click', e => { acts[e.target.closest('[data-do]')?.dataset.do]?.(); });
wipe?.addEventListener('input', cut);
other?.addEventListener('change', choose);
for (const [k, { item }] of gaps.entries()) {
  const button = item.querySelector('button');
  button.hidden = false;
  button.nextElementSibling.hidden = true;
  button.addEventListener('click', () => look(k));
}
tools.hidden = false;
viewer.addOnceHandler('open', async () => {
  viewer.canvas.append(marks);
  redraw();
  if (other?.value) await choose();
  box.dataset.ready = '';
});
