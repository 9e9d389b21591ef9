// One small plot for each column of the table of figures. Hovering shows the frame in the strip, a click leaves it out.
import './page.js';
const table = document.getElementById('figures'), place = document.getElementById('plots-here');
const heads = [...table.querySelectorAll('th[data-key]')], rows = [...table.tBodies[0].rows];
const numbers = rows.map(row => Number(row.querySelector('[data-number]').dataset.number));
const box = number => document.querySelector(`#frame-${number} input[name=leave_out]`);
const plots = [];

function colours() {
  const style = getComputedStyle(document.documentElement);
  return name => style.getPropertyValue(`--${name}`).trim();
}

function near(number) {
  for (const item of document.querySelectorAll('.strip .near')) item.classList.remove('near');
  document.getElementById(`frame-${number}`)?.classList.add('near');
}

function draw(head, column) {
  const cells = rows.map(row => row.cells[column]), digits = Number(head.dataset.digits), colour = colours();
  const values = cells.map(cell => 'value' in cell.dataset ? Number(cell.dataset.value) : null);
  const off = cells.map((cell, k) => 'off' in cell.dataset ? values[k] : null);
  const figure = document.createElement('figure'), caption = document.createElement('figcaption');
  const title = document.createElement('span'), told = document.createElement('span');
  title.textContent = head.textContent;
  told.className = 'quiet';
  caption.append(title, told);
  figure.append(caption);
  place.append(figure);
  const usual = () => { const n = off.filter(v => v !== null).length; told.textContent = n ? `${n} far off` : ''; };
  const axis = { stroke: colour('quiet'), grid: { stroke: colour('line'), width: 1 }, ticks: { show: false }, font: '11px system-ui' };
  const plot = new uPlot({
    width: figure.clientWidth, height: 150, legend: { show: false }, scales: { x: { time: false } }, cursor: { y: false, drag: { setScale: false } },
    axes: [{ ...axis, incrs: [1, 2, 5, 10, 20, 50, 100, 200, 500] }, { ...axis, size: 52 }],
    series: [{}, { stroke: colour('ink'), width: 1.2, points: { size: 4, fill: colour('ink') } },
      { stroke: colour('accent'), width: 0, points: { show: true, size: 9, fill: colour('accent') } }],
    hooks: { setCursor: [u => {
      const k = u.cursor.idx;
      if (k == null) return usual();
      told.textContent = values[k] === null ? `frame ${numbers[k]}` : `frame ${numbers[k]}: ${values[k].toFixed(digits)}`;
      near(numbers[k]);
    }] },
  }, [numbers, values, off], figure);
  plot.over.addEventListener('click', () => { const input = box(numbers[plot.cursor.idx]); if (input) input.checked = !input.checked; });
  usual();
  plots.push([plot, figure]);
}

function all() {
  place.replaceChildren();
  plots.length = 0;
  heads.forEach((head, k) => draw(head, k + 1));
}

all();
addEventListener('resize', () => { for (const [plot, figure] of plots) plot.setSize({ width: figure.clientWidth, height: 150 }); });
matchMedia('(prefers-color-scheme: dark)').addEventListener('change', all);
