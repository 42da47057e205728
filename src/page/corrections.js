"use strict";
(() => {
  const all = (selector, within = document) => [...within.querySelectorAll(selector)];
  const one = (selector, within = document) => within.querySelector(selector);
  const made = (name, text = "", className = "") => {
    const element = document.createElement(name);
    element.textContent = text;
    if (className) element.className = className;
    return element;
  };
  const root = document.documentElement;
  const main = one("main");
  const frames = all("article");

  // Corrections: what was said, one entry a piece or box

  let said = [];
  let saved = "";
  const corrections = one("#corrections");
  const text = one("#text");
  // TOML 1.0 basic strings are JSON's but for DEL.
  const quoted = (words) => JSON.stringify(words).replaceAll("\u007f", "\\u007F");
  const entry = ({ told, place, frame }) =>
    `[[correction]]\ndo = "${told}"\n${place}\nframes = [${quoted(frame.dataset.lit)}]\n`;
  const asShot = () => [...said].sort((a, b) => Number(a.frame.dataset.shot) - Number(b.frame.dataset.shot));
  const written = () => (said.length ? asShot().map(entry).join("\n") : "");
  const shell = (words) => (/^[\w.,/-]+$/.test(words) ? words : `'${words.replaceAll("'", "'\\''")}'`);
  const command = () => {
    const names = [...new Set(asShot().map((s) => s.frame.dataset.lit))];
    const only = names.length <= 12 ? names.map((name) => ` --frame ${shell(name)}`).join("") : "";
    return `derig redo ${shell(document.body.dataset.report)} --corrections corrections.toml${only} --overwrite --page`;
  };
  const badge = made("a", "", "badge");
  badge.href = "#corrections";
  badge.hidden = true;
  document.body.append(badge);

  const tell = () => {
    const count = said.length;
    const words = count === 1 ? "1 correction" : `${count} corrections`;
    one(".tally").textContent = count ? `${words}, not yet part of the pictures.` : "None yet.";
    one(".said").hidden = !count;
    corrections.classList.toggle("has-said", count > 0);
    one(".command").textContent = command();
    text.value = written();
    badge.hidden = !count;
    badge.textContent = words;
    for (const frame of frames) {
      const of = said.filter((s) => s.frame === frame);
      frame.toggleAttribute("data-corrected", of.length > 0);
      for (const item of all(".regions li", frame)) {
        const found = of.find((s) => s.region === item.dataset.region);
        const path = one(`.marks [data-region="${item.dataset.region}"]`, frame);
        for (const told of ["keep", "take"]) {
          one(`.${told}`, item).setAttribute("aria-pressed", String(found?.told === told));
        }
        path.classList.toggle("said", Boolean(found));
        path.classList.toggle("said-take", found?.told === "take");
      }
      boxes(frame, of);
    }
    main.dispatchEvent(new Event("corrected"));
  };
  const say = (frame, region, place, told) => {
    const before = said.find((s) => s.frame === frame && s.region === region);
    said = said.filter((s) => s !== before);
    if (told && before?.told !== told) said.push({ frame, region, place, told });
    tell();
  };
  const boxes = (frame, of) => {
    const list = one(".drawn", frame);
    const drawn = of.filter((s) => s.box);
    if (!list || (!drawn.length && !list.children.length)) return;
    list.replaceChildren(...drawn.map((entry) => {
      const item = made("li", `${entry.told}: box at ${entry.box[0]}, ${entry.box[1]}, ${entry.box[2]} x ${entry.box[3]}`);
      const withdraw = made("button", "Withdraw");
      withdraw.type = "button";
      withdraw.addEventListener("click", () => {
        said = said.filter((s) => s !== entry);
        tell();
        one(".draw", frame).focus();
      });
      item.append(withdraw);
      return item;
    }));
    all(".sketch", frame).forEach((sketch) => sketch.remove());
    for (const { box } of drawn) outline(frame, box);
  };
  const outline = (frame, [x, y, width, height]) => {
    const [columns, rows] = extent(frame);
    const sketch = made("div", "", "sketch");
    Object.assign(sketch.style, {
      left: `${(100 * x) / columns}%`, top: `${(100 * y) / rows}%`,
      width: `${(100 * width) / columns}%`, height: `${(100 * height) / rows}%`,
    });
    one(".view", frame).append(sketch);
    return sketch;
  };
  const extent = (frame) => one(".stage", frame).dataset.full.split(" ").map(Number);

  const ask = one(".ask");
  let asked = null;
  const close = () => {
    ask.hidden = true;
    asked?.path.classList.remove("near");
    asked = null;
  };
  const open = (path, event) => {
    close();
    const frame = path.closest("article");
    const item = one(`.regions li[data-region="${path.dataset.region}"]`, frame);
    asked = { path, frame, item };
    path.classList.add("near");
    one("#ask-title").textContent = one("span", item).textContent;
    ask.hidden = false;
    const room = root.clientWidth - ask.offsetWidth - 8;
    ask.style.left = `${Math.max(8, Math.min(event.clientX + 12, room)) + scrollX}px`;
    ask.style.top = `${event.clientY + 12 + scrollY}px`;
    one("button", ask).focus({ preventScroll: true });
  };
  ask.addEventListener("click", ({ target }) => {
    if (!asked || target.localName !== "button") return;
    const { frame, item } = asked;
    const told = ["keep", "take"].find((word) => target.classList.contains(word));
    const before = said.find((s) => s.frame === frame && s.region === item.dataset.region);
    if (before?.told !== told) say(frame, item.dataset.region, `point = [${item.dataset.point}]`, told);
    close();
  });
  document.addEventListener("keydown", (event) => {
    if (event.key !== "Escape") return;
    close();
    stopDrawing();
  });
  document.addEventListener("pointerdown", ({ target }) => {
    if (!ask.hidden && !ask.contains(target)) close();
  });

  main.addEventListener("click", (event) => {
    const { target } = event;
    if (target.classList.contains("region")) open(target, event);
    if (target.localName !== "button") return;
    const frame = target.closest("article");
    const told = ["keep", "take"].find((word) => target.classList.contains(word));
    const item = target.closest(".regions li");
    if (item) say(frame, item.dataset.region, `point = [${item.dataset.point}]`, told);
    else if (target.classList.contains("draw")) draw(frame, target);
    else if (told) sayBox(frame, told);
  });
  for (const item of all(".regions li")) {
    const path = one(`.marks [data-region="${item.dataset.region}"]`, item.closest("article"));
    for (const [name, near] of [["focusin", true], ["focusout", false], ["pointerenter", true], ["pointerleave", false]]) {
      item.addEventListener(name, () => path.classList.toggle("near", near));
    }
  }

  // Boxes, typed or drawn

  const fields = (frame) => ["x", "y", "width", "height"].map((name) => one(`.boxes [name="${name}"]`, frame));
  const sayBox = (frame, told) => {
    const inputs = fields(frame);
    const [columns, rows] = extent(frame);
    const box = inputs.map((input) => Math.floor(Number(input.value)));
    const fits = [
      inputs[0].value !== "" && box[0] >= 0 && box[0] < columns,
      inputs[1].value !== "" && box[1] >= 0 && box[1] < rows,
      box[2] > 0 && box[0] + box[2] <= columns,
      box[3] > 0 && box[1] + box[3] <= rows,
    ];
    inputs.forEach((input, i) => {
      input.setCustomValidity(fits[i] ? "" : "The box must lie in the picture.");
    });
    const wrong = inputs.find((input, i) => !fits[i]);
    if (wrong) {
      wrong.reportValidity();
      return;
    }
    said.push({ frame, box, told, place: `box = [${box.join(", ")}]` });
    inputs.forEach((input) => { input.value = ""; });
    tell();
  };
  main.addEventListener("input", ({ target }) => target.setCustomValidity?.(""));

  let drawing = null;
  const stopDrawing = () => {
    if (!drawing) return;
    drawing.frame.classList.remove("drawing");
    drawing.button.setAttribute("aria-pressed", "false");
    drawing.sketch?.remove();
    drawing = null;
  };
  const draw = (frame, button) => {
    const again = drawing?.frame === frame;
    stopDrawing();
    if (again) return;
    drawing = { frame, button, from: null, sketch: null };
    frame.classList.add("drawing");
    button.setAttribute("aria-pressed", "true");
    one(".view", frame).scrollIntoView({ block: "nearest" });
  };
  const pixel = (frame, event) => {
    const { left, top, width, height } = one(".view", frame).getBoundingClientRect();
    const [columns, rows] = extent(frame);
    const cut = (share, limit) => Math.round(Math.min(1, Math.max(0, share)) * limit);
    return [cut((event.clientX - left) / width, columns), cut((event.clientY - top) / height, rows)];
  };
  const spanned = ([ax, ay], [bx, by]) => [Math.min(ax, bx), Math.min(ay, by), Math.abs(ax - bx), Math.abs(ay - by)];
  main.addEventListener("pointerdown", (event) => {
    const view = event.target.closest(".view");
    if (!drawing || !view || view.closest("article") !== drawing.frame) return;
    event.preventDefault();
    drawing.from = pixel(drawing.frame, event);
    drawing.pointer = event.pointerId;
    view.setPointerCapture(event.pointerId);
  });
  main.addEventListener("pointermove", (event) => {
    if (!drawing?.from || event.pointerId !== drawing.pointer) return;
    drawing.sketch?.remove();
    drawing.box = spanned(drawing.from, pixel(drawing.frame, event));
    drawing.sketch = outline(drawing.frame, drawing.box);
  });
  main.addEventListener("pointerup", (event) => {
    if (!drawing?.from || event.pointerId !== drawing.pointer) return;
    const { frame, box } = drawing;
    stopDrawing();
    if (!box || !box[2] || !box[3]) return;
    fields(frame).forEach((input, i) => { input.value = box[i]; });
    one(".boxes .keep", frame).focus();
    outline(frame, box);
  });

  // Handing back

  one(".save").addEventListener("click", () => {
    const link = made("a");
    link.href = URL.createObjectURL(new Blob([written()], { type: "application/toml" }));
    link.download = "corrections.toml";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
    saved = written();
  });
  one(".copy").addEventListener("click", async () => {
    const told = one(".copied");
    try {
      await navigator.clipboard.writeText(text.value);
      told.textContent = "Copied.";
      saved = text.value;
    } catch {
      text.select();
      told.textContent = "The text is selected: copy it with the keys of your system.";
    }
  });
  one(".drop").addEventListener("click", () => {
    said = [];
    tell();
    one("#corrections-title").scrollIntoView();
  });
  addEventListener("beforeunload", (event) => {
    if (said.length && written() !== saved) event.preventDefault();
  });
})();
