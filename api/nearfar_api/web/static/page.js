// On every page: moments in local time, also in what arrives later.
const [whole, clock] = [{ dateStyle: 'medium', timeStyle: 'short' }, { timeStyle: 'short' }].map(style => new Intl.DateTimeFormat(undefined, style));
const today = new Date().toDateString();

export function localise(root) {
  for (const time of root.querySelectorAll('time[datetime]')) {
    const moment = new Date(time.dateTime);
    const text = (moment.toDateString() === today ? clock : whole).format(moment);
    if (time.textContent !== text) time.textContent = text;
  }
}

localise(document);
// A stack that came to its end has another page.
const told = document.getElementById('told');
told?.addEventListener('end', () => location.reload());
document.addEventListener('htmx:after:swap', event => {
  if (told && document.querySelector('#going[data-over]')) location.reload();
  localise(document);
  // What was ticked on a card was about the card as it was.
  if (event.target.matches('#card, #card form')) for (const form of document.querySelectorAll('#card form')) form.reset();
});

// A click on a frame in a plot leaves it out, or not any longer; by keys its link leads to the box that does.
document.querySelector('.plots')?.addEventListener('click', event => {
  const link = event.target.closest('a'), box = link && document.querySelector(link.getAttribute('href'));
  if (event.detail && box?.form) { event.preventDefault(); box.click(); }
});
document.getElementById('strip')?.addEventListener('change', ({ target }) => {
  for (const link of document.querySelectorAll(`.plots [href="#${target.id}"]`)) link.classList.toggle('out', target.checked);
});
