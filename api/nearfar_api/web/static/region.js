// Outlines over the picture, and regions that a person draws: by dragging, by corners, or with a cross that the arrows move.
const NEAR = 12, STEP = 5, WAYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

export function drawing(viewer, marks, picture, say, done) {
  const box = viewer.element, { Point } = OpenSeadragon, [shapes, line, cross] = marks.children, tools = document.querySelectorAll('[data-how]');
  const seen = ([x, y]) => picture().imageToViewerElementCoordinates(new Point(x, y));
  const far = (a, b, least) => seen(a).distanceTo(seen(b)) > least;
  const corners = ([a, b], [c, d]) => [[a, b], [c, b], [c, d], [a, d]];
  let tool = null, points = [], cursor = null, strokes = 0;
  viewer.addOnceHandler('open', () => viewer.canvas.append(marks));

  // The place of the picture under one of the screen.
  function meant(x, y) {
    const p = picture().viewerElementToImageCoordinates(new Point(x, y)), size = picture().getContentSize();
    return [Math.max(0, Math.min(size.x, p.x)), Math.max(0, Math.min(size.y, p.y))];
  }

  function place() {
    const start = seen([0, 0]), end = seen([1000, 0]), at = tool && seen(cursor);
    shapes.setAttribute('transform', `translate(${start.x} ${start.y}) scale(${(end.x - start.x) / 1000})`);
    cross.setAttribute('d', at ? `M${at.x - 14},${at.y}h28M${at.x},${at.y - 14}v28` : '');
  }

  const show = places => { shapes.querySelector('.drawn').setAttribute('points', places); place(); };

  // Draw with another tool, or with none; a region that is finished stays until then.
  function start(name, keep) {
    for (const each of tools) each.setAttribute('aria-pressed', each.dataset.do === name);
    [tool, points, strokes, cursor] = [name, [], 0, meant(box.clientWidth / 2, box.clientHeight / 2)];
    viewer.setMouseNavEnabled(!tool);
    box.classList.toggle('drawing', Boolean(tool));
    if (!keep) { show([]); say([...tools].find(each => each.dataset.do === name)?.dataset.how ?? ''); }
    if (tool) box.focus();
  }

  function finish() {
    const places = (tool === 'box' ? corners(points[0], cursor) : points).map(each => each.map(Math.round));
    const [xs, ys] = [0, 1].map(axis => places.map(each => each[axis])), x = Math.min(...xs), y = Math.min(...ys);
    const w = Math.max(...xs) - x, h = Math.max(...ys) - y;
    if (places.length < 3 || w < 2 || h < 2) return say('That region has no inside. Draw a larger one.');
    const text = tool === 'box' ? [x, y, w, h].join(',') : places.join(' ');
    start(null, true);
    show(places);
    done(text, Math.floor(x + w / 2), Math.floor(y + h / 2), Math.max(w, h));
  }

  function corner(at) {
    cursor = at;
    if (tool === 'outline' && points.length > 2 && !far(at, points[0], NEAR)) return finish();
    if (tool === 'box' && points.length) return far(at, points[0], STEP) && finish();
    points.push(at);
    show(tool === 'box' ? corners(at, at) : points);
  }

  function moved(at) {
    cursor = at;
    if (tool === 'box' && points.length) return show(corners(points[0], at));
    if (strokes && far(at, points.at(-1), STEP)) { points.push(at); strokes++; show(points); }
    place();
  }

  const pointed = {
    pointerdown: (at, { pointerId }) => {
      box.setPointerCapture(pointerId);
      strokes = 1;
      if (tool === 'outline' || !points.length) corner(at);
    },
    pointermove: moved,
    pointerup: at => {
      cursor = at;
      if (strokes && (tool === 'box' ? far(at, points[0], STEP) : strokes > 8)) return finish();
      strokes = 0;
    },
  };
  for (const [name, act] of Object.entries(pointed)) box.addEventListener(name, e => {
    const edge = box.getBoundingClientRect();
    if (tool && e.isPrimary) act(meant(e.clientX - edge.left, e.clientY - edge.top), e);
  });

  const back = () => { points.pop(); show(points); };
  const keys = { ' ': () => corner(cursor), Enter: () => points.length && finish(), Escape: () => start(null), Backspace: back };
  // Whether a key was meant for what is being drawn.
  function key({ key: name, shiftKey }) {
    if (!tool || !(name in WAYS || name in keys)) return false;
    if (name in keys) return keys[name](), true;
    const [x, y] = WAYS[name], at = seen(cursor);
    moved(shiftKey ? [cursor[0] + x, cursor[1] + y] : meant(at.x + 10 * x, at.y + 10 * y));
    return true;
  }

  return {
    place, key, clear: () => show([]), start: name => start(tool === name ? null : name),
    line: x => line.setAttribute('d', x === null ? '' : `M${x},0V${box.clientHeight}`),
    hide: (kind, off) => marks.classList.toggle(`no-${kind}`, off),
  };
}
