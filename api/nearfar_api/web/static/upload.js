// Frames dropped on the overview go up one piece after the other. The same frames dropped again, after a reload, a lost
// connection or a crash, find the job that they belong to and go on where they were.
const PIECE = 4 << 20, AT_ONCE = 2, LONGEST_REST = 15000;
const form = document.querySelector('form.send');
const drop = form.querySelector('.drop'), input = form.elements.files, list = form.querySelector('.sending');
const says = form.querySelector('[role=status]');
let busy = 0;
form.hidden = false;

const rest = time => new Promise(go => { setTimeout(go, time); addEventListener('online', go, { once: true }); });
class Refused extends Error {}

// Asks until an answer comes; only a refusal ends it.
async function ask(url, options, tell) {
  for (let pause = 1000; ; pause = Math.min(LONGEST_REST, 2 * pause)) {
    try {
      const answer = await fetch(url, options);
      if (answer.ok) return await answer.json();
      const problem = await answer.json().catch(() => ({}));
      if (answer.status === 409 && 'received' in problem) return problem;
      const passes = answer.status >= 500 || [408, 425, 429].includes(answer.status) || problem.type?.endsWith('/frame-busy');
      if (!passes) throw new Refused(problem.detail ?? answer.statusText);
      tell(`${problem.detail ?? answer.statusText} Trying again.`);
    } catch (error) {
      if (error instanceof Refused) throw error;
      tell('The connection is lost. Trying again.');
    }
    await rest(pause);
  }
}

async function key(stack, recipe, files, round) {
  const text = JSON.stringify([stack, recipe, round, files.map(f => [f.name, f.size, f.lastModified])]);
  if (!crypto.subtle) return [...text].reduce((sum, c) => (Math.imul(sum, 31) + c.codePointAt(0)) >>> 0, 7).toString(36) + text.length;
  return [...new Uint8Array(await crypto.subtle.digest('SHA-256', new TextEncoder().encode(text)))].map(b => b.toString(16).padStart(2, '0')).join('');
}

// The job for these frames: the one that they were sent for before, unless that was given up.
async function jobFor(stack, recipe, files, tell) {
  const body = JSON.stringify({ stack, recipe, upload: files.map(f => ({ name: f.name, size: f.size })) });
  for (let round = 0; ; round++) {
    const headers = { 'Content-Type': 'application/json', 'Idempotency-Key': await key(stack, recipe, files, round) };
    const job = await ask(form.dataset.jobs, { method: 'POST', headers, body }, tell);
    if (!['cancelled', 'failed'].includes(job.state)) return job;
  }
}

async function sendFrame(url, file, sent, progress, tell) {
  let at = sent;
  while (at < file.size) {
    const end = Math.min(file.size, at + PIECE);
    const headers = { 'Content-Type': 'application/octet-stream', 'Content-Range': `bytes ${at}-${end - 1}/${file.size}` };
    const answer = await ask(url, { method: 'PUT', headers, body: file.slice(at, end) }, tell);
    progress(answer.received - at);
    at = answer.received;
    tell('');
  }
}

function line(stack) {
  const item = document.createElement('li'), name = document.createElement('a'), text = document.createElement('span');
  const bar = Object.assign(document.createElement('progress'), { max: 1, value: 0 });
  bar.setAttribute('aria-label', `Upload of ${stack}`);
  name.textContent = stack;
  text.className = 'quiet';
  item.append(name, ' ', text, bar);
  list.prepend(item);
  return { name, text, bar };
}

function stackName(files) {
  const folder = files[0].webkitRelativePath?.split('/').at(-2);
  return form.elements.stack.value.trim() || folder || files[0].name.replace(/\.[^.]*$/, '').replace(/[\s_-]*\d+$/, '') || 'frames';
}

async function send(files) {
  const stack = stackName(files), shown = line(stack), total = files.reduce((sum, f) => sum + f.size, 0);
  let done = 0, trouble = '';
  const show = () => {
    shown.bar.value = done / total;
    shown.text.textContent = `${Math.floor(100 * done / total)} % of ${files.length} frames, ${(total / 2 ** 20).toFixed(0)} MiB. ${trouble}`;
  };
  const tell = text => { trouble = text; show(); };
  busy++;
  try {
    show();
    const job = await jobFor(stack, form.elements.recipe.value, files, tell);
    shown.name.href = `${form.dataset.pages}/${job.id}`;
    const { frames } = await ask(`${form.dataset.jobs}/${job.id}/frames`, {}, tell);
    if (!job.frames.expected) { done = total; show(); shown.text.textContent = `These frames are here already: job ${job.id}, ${job.state}.`; return; }
    const waiting = frames.map((frame, k) => ({ ...frame, file: files[k] }));
    done = waiting.reduce((sum, f) => sum + f.received, 0);
    const one = async () => {
      for (let frame; (frame = waiting.shift());)
        if (frame.received < frame.size || frame.state === 'expected')
          await sendFrame(`${form.dataset.jobs}/${job.id}/frames/${frame.number}`, frame.file, frame.received, n => { done += n; show(); }, tell);
    };
    await Promise.all(Array.from({ length: AT_ONCE }, one));
    shown.text.textContent = `All ${files.length} frames are here: job ${job.id}.`;
    says.textContent = `All frames of ${stack} are here.`;
  } catch (error) {
    shown.text.className = 'alarm';
    shown.text.textContent = error.message;
    says.textContent = `${stack} was refused.`;
  } finally {
    busy--;
  }
}

// Frames of a folder that was dropped; what lies deeper belongs to other stacks.
async function dropped(items) {
  const file = entry => new Promise((ok, bad) => entry.file(ok, bad));
  const given = items.filter(item => item.kind === 'file').map(item => item.webkitGetAsEntry?.() ?? item.getAsFile());
  const entries = given.filter(each => !(each instanceof File)), plain = given.filter(each => each instanceof File);
  for (const entry of entries) {
    if (entry.isFile) plain.push(await file(entry));
    else {
      const reader = entry.createReader(), found = [];
      for (let part; (part = await new Promise((ok, bad) => reader.readEntries(ok, bad))).length;) found.push(...part);
      const files = await Promise.all(found.filter(e => e.isFile && !e.name.startsWith('.')).map(file));
      if (files.length) { form.elements.stack.value ||= entry.name; begin(files); form.elements.stack.value = ''; }
    }
  }
  begin(plain);
}

function begin(files) {
  const sorted = [...files].sort((a, b) => a.name.localeCompare(b.name, 'en', { numeric: true }));
  if (sorted.length) send(sorted);
}

input.addEventListener('change', () => { begin(input.files); input.value = ''; });
for (const name of ['dragenter', 'dragover']) addEventListener(name, e => { if (e.dataTransfer?.types.includes('Files')) { e.preventDefault(); drop.classList.add('over'); } });
for (const name of ['dragleave', 'drop']) addEventListener(name, e => { if (name === 'drop' || !e.relatedTarget) drop.classList.remove('over'); });
addEventListener('drop', e => { e.preventDefault(); dropped([...e.dataTransfer.items]); });
addEventListener('beforeunload', e => { if (busy) e.preventDefault(); });
