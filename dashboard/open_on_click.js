// Opens a page in the session that runs; whoever comes back finds the page where it was scrolled to.
export default function({data, setTriggerValue}) {
  const main = document.querySelector('.stMain'), key = 'tankround ' + data;
  const hear = e => { const a = e.target.closest && e.target.closest('a[data-tank]');
    if (!a || e.metaKey || e.ctrlKey || e.shiftKey || e.button) return;
    e.preventDefault(); sessionStorage.setItem(key, main.scrollTop);
    setTriggerValue('open', a.getAttribute('href')); };
  document.addEventListener('click', hear); main.dataset.listens = data;
  const was = sessionStorage.getItem(key);
  if (was) {  // the page may not be as long yet as it was: until it stays there, or a hand scrolls
    sessionStorage.removeItem(key);
    const until = Date.now() + 10000; let stays = 0;
    for (const hand of ['wheel', 'touchstart', 'keydown']) addEventListener(hand, () => { stays = 99; }, {once: true, passive: true});
    const back = () => { if (stays > 9 || Date.now() > until) return;
      if (Math.abs(main.scrollTop - was) < 2) stays += 1; else { stays = 0; main.scrollTo(0, Number(was)); }
      setTimeout(back, 100); };
    back(); }
  return () => document.removeEventListener('click', hear); }
