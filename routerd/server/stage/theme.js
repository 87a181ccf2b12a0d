// Before the first paint, so that a dark stage is never lit by a white page: dark or bright as chosen on this tablet, else
// as its system asks.
(() => {
  let chosen = null;
  try { chosen = localStorage.getItem("routerd-theme"); } catch { /* storage is forbidden here: the system's choice holds */ }
  if (chosen === "dark" || chosen === "bright") document.documentElement.dataset.theme = chosen;
})();
