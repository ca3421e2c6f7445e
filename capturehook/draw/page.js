"use strict";
(() => {
  const strip = [...document.querySelectorAll("#strip li")];
  const view = document.getElementById("view");
  const controls = document.getElementById("controls");
  if (!strip.length || !view || !controls) return;
  const slider = controls.querySelector("input");
  const play = controls.querySelector("button");
  const said = controls.querySelector("output");
  const mark = document.getElementById("mark");
  const lasts = Number(controls.dataset.ms);
  let timer = 0;

  function show(index) {
    const still = strip[index];
    const words = still.dataset.text;
    view.src = still.querySelector("img").src;
    view.alt = words;
    slider.value = String(index);
    slider.setAttribute("aria-valuetext", words);
    said.textContent = words;
    for (const one of strip) one.removeAttribute("aria-current");
    still.setAttribute("aria-current", "true");
    const list = still.parentElement;
    list.scrollLeft = still.offsetLeft - list.offsetLeft - (list.clientWidth - still.clientWidth) / 2;
    if (mark && still.dataset.at) {
      const [x, y] = still.dataset.at.split(" ");
      const [left, foot] = mark.dataset.axes.split(" ");
      mark.setAttribute("d", `M${left} ${y}H${x}V${foot}`);
    }
  }

  function stop() {
    clearInterval(timer);
    timer = 0;
    play.textContent = "Play";
  }

  play.addEventListener("click", () => {
    if (timer) return stop();
    let index = Number(slider.value);
    if (index === strip.length - 1) index = -1;
    play.textContent = "Pause";
    timer = setInterval(() => {
      index += 1;
      show(index);
      if (index === strip.length - 1) stop();
    }, lasts);
  });
  slider.addEventListener("input", () => {
    if (timer) stop();
    show(Number(slider.value));
  });
  strip.forEach((still, index) => still.addEventListener("click", () => {
    if (timer) stop();
    show(index);
  }));
  controls.hidden = false;
  show(strip.length - 1);
})();
