"use strict";
(() => {
  const all = (selector, within = document) => [...within.querySelectorAll(selector)];
  const one = (selector, within = document) => within.querySelector(selector);
  const root = document.documentElement;
  const main = one("main");
  const frames = all("article");
  root.classList.add("scripted");
  document.body.classList.add("show-places");

  // What is shown

  const chosen = (name) => one(`input[name="${name}"]:checked`).value;
  const sift = () => {
    const wanted = chosen("outcome");
    let shown = 0;
    for (const frame of frames) {
      const fits = wanted === "all" || frame.dataset.outcome === wanted
        || (wanted === "corrected" && frame.hasAttribute("data-corrected"));
      frame.hidden = !fits;
      shown += fits ? 1 : 0;
    }
    one(".count").textContent = `${shown} of ${frames.length} frames shown`;
  };
  const sort = () => {
    const key = (frame) => Number(frame.dataset.shot);
    const order = chosen("order") === "shot" ? [...frames].sort((a, b) => key(a) - key(b)) : frames;
    main.append(...order);
  };
  one(".switches").addEventListener("change", ({ target }) => {
    switch (target.name) {
      case "outcome": sift(); break;
      case "order": sort(); break;
      case "theme": root.dataset.theme = target.value; break;
      default: document.body.classList.toggle(`show-${target.name}`, target.checked);
    }
  });

  main.addEventListener("corrected", () => {
    if (chosen("outcome") === "corrected") sift();
  });

  // Wipe: a slider for keys and readers, a handle on the picture for hands

  const wipe = (view, slider, percent) => {
    const before = Math.round(Math.min(100, Math.max(0, percent)));
    view.style.setProperty("--wipe", `${before}%`);
    slider.value = before;
    const [one, other] = document.body.dataset.sides.split("|");
    slider.setAttribute("aria-valuetext", `${before} % ${one}, ${100 - before} % ${other}`);
  };
  for (const frame of frames) {
    const [view, slider, bar] = [one(".view", frame), one(".wipe input", frame), one(".bar span", frame)];
    if (!slider) continue;
    slider.addEventListener("input", () => wipe(view, slider, Number(slider.value)));
    bar.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      bar.setPointerCapture(event.pointerId);
    });
    bar.addEventListener("pointermove", (event) => {
      if (!bar.hasPointerCapture(event.pointerId)) return;
      const { left, width } = view.getBoundingClientRect();
      wipe(view, slider, (100 * (event.clientX - left)) / width);
    });
  }

  if (matchMedia("(max-width: 40rem)").matches) one("details.all").open = false;
  sift();
})();
