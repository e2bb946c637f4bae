export default function({data}) {
  if (window.tankroundAt !== undefined && window.tankroundAt !== data) document.querySelector('.stMain')?.scrollTo(0, 0);
  window.tankroundAt = data; }
