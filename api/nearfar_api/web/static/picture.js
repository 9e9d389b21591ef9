// The picture: deep zoom, maps over it, a frame or version under a wipe, frames that are sharp at a place, regions and mends.
import { drawing } from './region.js';
const find = id => document.getElementById(id), still = matchMedia('(prefers-reduced-motion: reduce)').matches;
const calm = { block: 'nearest', behavior: still ? 'auto' : 'smooth' };
const box = find('viewer'), tools = find('tools'), wipe = find('wipe'), other = find('other'), form = find('mend'), where = find('where');
const OSD = OpenSeadragon, marks = box.querySelector('.marks'), TRANSLUCENT = 0.62, SILENT = 'The server does not answer. Try again.', layers = {};
let over = null, blinking = false, gap = -1, stamp = '';

// A proxy may speak another scheme or name than the server knows of: tiles are asked for where this page lies.
async function source(address) {
  const answer = await fetch(`${address}/info.json`), info = await answer.json();
  if (!answer.ok) throw new Error(info.detail);
  const found = new OSD.IIIFTileSource(OSD.IIIFTileSource.prototype.configure({ ...info, id: new URL(address, location.href).href }, address));
  const plain = found.getTileUrl, mark = stamp;
  found.getTileUrl = (...place) => plain.apply(found, place) + mark;
  return found;
}

box.replaceChildren();
const viewer = OSD({
  element: box, showNavigationControl: false, drawer: 'canvas', imageSmoothingEnabled: true, maxZoomPixelRatio: 8, visibilityRatio: 0.4,
  animationTime: still ? 0 : 0.5, immediateRender: still, gestureSettingsMouse: { clickToZoom: false }, tileSources: [await source(box.dataset.picture)],
});
const picture = () => viewer.world.getItemAt(0), pressed = name => tools.querySelector(`[data-do=${name}]`), say = text => { find('said').textContent = text; };
const draw = drawing(viewer, marks, picture, say, (text, ...place) => { form.elements.region.value = text; here(...place); });
const gaps = [...document.querySelectorAll('.gaps a')], outlines = marks.querySelectorAll('.gap');

async function add(address, options) {
  const tileSource = await source(address);
  return new Promise((success, error) => viewer.addTiledImage({ tileSource, x: 0, y: 0, width: 1, success: e => success(e.item), error, ...options }));
}

function redraw() {
  if (!picture()) return;
  draw.place();
  find('zoom').textContent = `${Math.round(100 * picture().viewportToImageZoom(viewer.viewport.getZoom(true)) * devicePixelRatio)} %`;
  cut();
}

// What lies beside is over the picture, to the right of a line that stays where it is on the screen.
function cut() {
  const x = box.clientWidth * wipe.value / 100;
  draw.line(over ? x : null);
  if (!over) return;
  const size = over.getContentSize(), left = Math.max(0, Math.min(size.x, over.viewerElementToImageCoordinates(new OSD.Point(x, 0)).x));
  over.setOpacity(!blinking && left >= size.x ? 0 : 1);
  over.setClip(blinking ? null : new OSD.Rect(left, 0, Math.max(1, size.x - left), size.y));
}

function press(name) {
  const on = pressed(name).getAttribute('aria-pressed') !== 'true';
  pressed(name).setAttribute('aria-pressed', on);
  return on;
}

async function toggle(name) {
  const on = press(name);
  document.querySelector(`[data-legend=${name}]`).hidden = !on;
  layers[name] ??= add(box.dataset[name], { opacity: 0 });
  (await layers[name].catch(error => say(error.message)))?.setOpacity(on ? TRANSLUCENT : 0);
}

function look(k) {
  if (!gaps.length) return;
  gap = (k + gaps.length) % gaps.length;
  const [x, y, w, h] = gaps[gap].dataset.box.split(',').map(Number), margin = 0.4 * Math.max(w, h, 100);
  viewer.viewport.fitBounds(picture().imageToViewportRectangle(x - margin / 2, y - margin / 2, w + margin, h + margin), still);
  say(`Gap ${gap + 1} of ${gaps.length}: ${gaps[gap].textContent}`);
  outlines.forEach((outline, number) => outline.classList.toggle('here', number === gap));
}

async function choose() {
  const { value, dataset, text } = other.selectedOptions[0];
  if (over) viewer.world.removeItem(over);
  over = null;
  say(value && `Making ${text.trim()} ready …`);
  const found = value ? await add(dataset.picture).catch(error => say(error.message)) : null;
  if (other.value !== value) return found && viewer.world.removeItem(found);
  if ((over = found)) say('');
  wipe.disabled = pressed('blink').disabled = !over;
  cut();
}

function here(x, y, edge = 0) {
  for (const [name, value] of Object.entries({ x, y, size: Math.max(256, Math.min(512, edge)) })) where.elements[name].value = value;
  where.requestSubmit();
}

// The picture as it is after mends, shown when all of it is there, so that nothing moves or flickers.
async function fresh() {
  stamp = `?${Date.now()}`;
  const old = picture(), made = await add(box.dataset.picture, { index: 1 }).catch(error => say(error.message)), crop = form.querySelector('figure img');
  made?.addOnceHandler('fully-loaded-change', () => viewer.world.removeItem(old));
  if (crop) crop.src = crop.src.split('?')[0] + stamp;
  other.querySelector('[value=before]').disabled = false;
  if (made) htmx.trigger(find('mending'), 'fresh');
}

function follow({ state, events }) {
  if (state !== 'working') return fresh();
  const stream = new EventSource(events);
  stream.addEventListener('end', () => { stream.close(); fresh(); });
}

// A part of the page that the server drew anew in answer to a form, or why it did not.
document.addEventListener('htmx:after:swap', ({ detail: { ctx: { sourceElement: source, request, response } } }) => {
  if (response.status >= 400) return find('said').textContent.trim() || say(SILENT);
  if (source === where) { say(find('here').querySelector('legend, .alarm').textContent); return form.scrollIntoView(calm); }
  if (request.method === 'GET') return say(find('mending').querySelector('.alarm')?.textContent ?? 'The picture is as you asked.');
  if (source === form) { draw.clear(); form.elements.region.value = ''; }
  box.scrollIntoView(calm);
  follow(find('mending').dataset);
});
document.addEventListener('htmx:error', () => say(SILENT));

const at = ({ x, y }, { x: w, y: h } = picture().getContentSize()) => { if (x >= 0 && y >= 0 && x < w && y < h) here(Math.floor(x), Math.floor(y)); };
const blink = on => { if (over && on !== blinking) { blinking = on; press('blink'); cut(); } };
const slide = by => { if (over) { wipe.value = Number(wipe.value) + by; cut(); } };
const move = (x, y) => viewer.viewport.panBy(viewer.viewport.deltaPointsFromPixels(new OSD.Point(x * box.clientWidth / 6, y * box.clientHeight / 6)), still);
const closer = by => viewer.viewport.zoomBy(by, undefined, still).applyConstraints();
const acts = {
  in: () => closer(1.5), out: () => closer(1 / 1.5), all: () => viewer.viewport.goHome(still), focus: () => toggle('focus'), doubt: () => toggle('doubt'),
  full: () => viewer.viewport.zoomTo(picture().imageToViewportZoom(1 / devicePixelRatio), undefined, still), blink: () => blink(!blinking),
  gaps: () => gaps.length && draw.hide('gap', !press('gaps')), here: () => at(picture().viewportToImageCoordinates(viewer.viewport.getCenter(true))),
  box: () => form.elements.region && draw.start('box'), outline: () => form.elements.region && draw.start('outline'),
};
const keys = {
  '+': acts.in, '=': acts.in, '-': acts.out, 0: acts.all, 1: acts.full, f: acts.focus, d: acts.doubt, g: acts.gaps, n: () => look(gap + 1),
  w: () => { other.selectedIndex = over ? 0 : [...other.options].findIndex(each => each.value && !each.disabled); choose(); },
  b: () => blink(true), '[': () => slide(-4), ']': () => slide(4),
  c: acts.here, r: acts.box, o: acts.outline, m: () => draw.hide('mended'), u: () => [...document.querySelectorAll('.mends [value=undo]')].at(-1)?.click(),
  ArrowLeft: () => move(-1, 0), ArrowRight: () => move(1, 0), ArrowUp: () => move(0, -1), ArrowDown: () => move(0, 1),
};

for (const name of ['canvas-key', 'canvas-key-press']) viewer.addHandler(name, e => { e.preventDefaultAction = true; });
for (const name of ['update-viewport', 'resize']) viewer.addHandler(name, redraw);
viewer.addHandler('canvas-click', e => { if (e.quick) at(picture().viewerElementToImageCoordinates(e.position)); });
box.addEventListener('keydown', e => {
  if (e.ctrlKey || e.metaKey || e.altKey) return;
  const drawing = draw.key(e);
  if (drawing || e.key in keys) e.preventDefault();
  if (!drawing && !(e.repeat && /^[a-z]$/.test(e.key))) keys[e.key]?.();
});
box.addEventListener('keyup', e => { if (e.key === 'b') blink(false); });
tools.addEventListener('click', e => { acts[e.target.closest('[data-do]')?.dataset.do]?.(); });
wipe.addEventListener('input', cut);
other.addEventListener('change', choose);
where.addEventListener('submit', () => say(`Looking for frames that are sharp at ${where.elements.x.value}, ${where.elements.y.value} …`));
// A frame that cannot be shown says why in its place.
document.addEventListener('error', ({ target }) => {
  if (target.closest?.('.crop')) fetch(target.src).then(answer => answer.json()).then(({ detail }) => target.replaceWith(detail)).catch(() => {});
}, true);
gaps.forEach((link, k) => link.addEventListener('click', e => { e.preventDefault(); look(k); }));
tools.hidden = document.querySelector('.hint').hidden = false;
viewer.addOnceHandler('open', async () => {
  redraw();
  if (other.value) await choose();
  if (find('mending').dataset.state === 'working') follow(find('mending').dataset);
  box.dataset.ready = '';
});
