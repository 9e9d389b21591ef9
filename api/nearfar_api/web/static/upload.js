// Frames dropped on the overview go up one piece after the other. The same frames dropped again, after a reload, a lost
// connection or a crash, find the job that they belong to and go on where they were.
const PIECE = 4 << 20, AT_ONCE = 2, LONGEST_REST = 15000;
const form = document.querySelector('form.send'), { jobs, pages } = form.dataset, { stack: named, recipe, files: input } = form.elements;
const [drop, list, row, says] = ['.drop', '.sending', 'template', '[role=status]'].map(each => form.querySelector(each));
let busy = 0;
form.hidden = false;

const rest = time => new Promise(go => { setTimeout(go, time); addEventListener('online', go, { once: true }); });
const called = asks => new Promise((ok, bad) => asks(ok, bad));

// Asks until an answer comes; only a refusal ends it.
async function ask(url, options, tell) {
  for (let pause = 1000; ; pause = Math.min(LONGEST_REST, 2 * pause)) {
    const answer = await fetch(url, options).catch(() => null), told = await answer?.json().catch(() => null);
    if (told && (answer.ok || (answer.status === 409 && 'received' in told))) return told;
    const lost = !answer || answer.ok, why = lost ? 'The connection is lost.' : told?.detail ?? answer.statusText;
    const passes = lost || answer.status >= 500 || [408, 425, 429].includes(answer.status) || told?.type?.endsWith('/frame-busy');
    if (!passes) throw new Error(why);
    tell(`${why} Trying again.`);
    await rest(pause);
  }
}

// Tells these frames from all others, without a secure context; should two texts meet, the server compares what was asked.
function key(text) {
  const sums = [31, 37, 41, 43].map(by => [...text].reduce((sum, c) => (Math.imul(sum, by) + c.codePointAt(0)) >>> 0, text.length));
  return sums.map(sum => sum.toString(16)).join('-');
}

// The job for these frames: the one that they were sent for before, unless that was given up.
async function jobFor(stack, files, tell) {
  const body = JSON.stringify({ stack, recipe: recipe.value, upload: files.map(({ name, size }) => ({ name, size })) });
  for (let round = 0; ; round++) {
    const made = key(`${round} ${body} ${files.map(file => file.lastModified)}`);
    const job = await ask(jobs, { method: 'POST', headers: { 'Content-Type': 'application/json', 'Idempotency-Key': made }, body }, tell);
    if (!['cancelled', 'failed'].includes(job.state)) return job;
  }
}

async function sendFrame(url, file, at, came, tell) {
  while (at < file.size) {
    const end = Math.min(file.size, at + PIECE);
    const headers = { 'Content-Type': 'application/octet-stream', 'Content-Range': `bytes ${at}-${end - 1}/${file.size}` };
    const { received } = await ask(url, { method: 'PUT', headers, body: file.slice(at, end) }, tell);
    came(received - at);
    at = received;
  }
}

async function sendAll(stack, files) {
  const item = row.content.firstElementChild.cloneNode(true), [name, text, bar] = item.children;
  const total = files.reduce((sum, file) => sum + file.size, 0);
  let done = 0;
  const tell = trouble => {
    bar.value = total && done / total;
    text.textContent = `${Math.floor(100 * bar.value)} % of ${files.length} frames, ${(total / 2 ** 20).toFixed(0)} MiB. ${trouble}`;
  };
  const came = bytes => { done += bytes; tell(''); };
  [name.textContent, bar.ariaLabel] = [stack, `Upload of ${stack}`];
  list.prepend(item);
  busy++;
  try {
    came(0);
    const job = await jobFor(stack, files, tell), here = `${jobs}/${job.id}/frames`;
    name.href = `${pages}/${job.id}`;
    if (job.frames.expected) {
      const waiting = (await ask(here, {}, tell)).frames.map((frame, k) => [`${here}/${frame.number}`, files[k], frame.received]);
      came(waiting.reduce((sum, [,, received]) => sum + received, 0));
      await Promise.all(Array.from({ length: AT_ONCE }, async () => { while (waiting.length) await sendFrame(...waiting.shift(), came, tell); }));
      text.textContent = `All ${files.length} frames are here: job ${job.id}.`;
    } else {
      came(total);
      text.textContent = `These frames are here already: job ${job.id}, ${job.state}.`;
    }
    says.textContent = `All frames of ${stack} are here.`;
  } catch (error) {
    text.className = 'alarm';
    text.textContent = error.message;
    says.textContent = `${stack} was refused.`;
  } finally { busy--; }
}

function begin(files, folder) {
  if (!files.length) return;
  const sorted = [...files].sort((a, b) => a.name.localeCompare(b.name, 'en', { numeric: true }));
  const stem = at => sorted.at(at).name.replace(/\.[^.]*$/, ''), word = stem(0).replace(/[\s_-]*\d+$/, ''), ends = [...new Set([stem(0), stem(-1)])].join('-');
  const own = sorted[0].webkitRelativePath?.split('/').at(-2) || (/\p{Ll}|\p{Lo}/u.test(word) ? word : ends);  // cameras give no small letters
  sendAll(named.value.trim() || folder || own, sorted);
  named.value = '';
}

// Frames of a folder that was dropped; what lies deeper belongs to other stacks.
async function dropped(items) {
  const given = items.filter(each => each.kind === 'file').map(each => [each.webkitGetAsEntry?.(), each.getAsFile()]);
  begin(given.filter(([entry]) => !entry?.isDirectory).map(([, file]) => file));
  for (const [entry] of given.filter(([each]) => each?.isDirectory)) {
    const reader = entry.createReader(), found = [];
    for (let part; (part = await called((ok, bad) => reader.readEntries(ok, bad))).length;) found.push(...part);
    const frames = found.filter(each => each.isFile && !each.name.startsWith('.'));
    begin(await Promise.all(frames.map(each => called((ok, bad) => each.file(ok, bad)))), entry.name);
  }
}

input.addEventListener('change', () => { begin(input.files); input.value = ''; });
for (const name of ['dragenter', 'dragover', 'dragleave', 'drop']) addEventListener(name, event => {
  if (!event.dataTransfer?.types.includes('Files')) return;
  event.preventDefault();
  drop.classList.toggle('over', name !== 'drop' && (name !== 'dragleave' || Boolean(event.relatedTarget)));
  if (name === 'drop') dropped([...event.dataTransfer.items]);
});
addEventListener('beforeunload', event => { if (busy) event.preventDefault(); });
