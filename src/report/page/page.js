// What a reader can do with the page beyond reading it. Without this everything of a short film is there, beside each other; of a
// long one the names, the counts and the lists.
"use strict";
(() => {
  const make = (name, set, ...inside) => {
    const made = document.createElement(name);
    for (const [key, value] of Object.entries(set || {})) made.setAttribute(key, value);
    made.append(...inside);
    return made;
  };

  // A long film's page holds most of itself packed: what is near a reader, or unfolded, is unpacked and drawn.
  const whenDrawn = [];
  const unpacked = new WeakMap();
  const unpack = (pack) => {
    if (!unpacked.has(pack)) {
      const bytes = Uint8Array.from(atob(pack.textContent), (letter) => letter.charCodeAt(0));
      const text = new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"))).text();
      unpacked.set(pack, text.then((html) => {
        const made = document.createElement("template");
        made.innerHTML = html;
        return made.content;
      }));
    }
    return unpacked.get(pack);
  };
  const packOf = (one) => one.querySelector(":scope > script[data-packed]");

  // A length of the strip. What has the focus keeps it.
  const drawReel = async (reel) => {
    const pack = packOf(reel);
    if (!pack) return;
    const content = await unpack(pack);
    if (!pack.isConnected && !reel.contains(pack)) return;
    const list = reel.querySelector(".strip");
    const at = [...list.querySelectorAll("a")].indexOf(document.activeElement);
    list.replaceChildren(document.importNode(content, true));
    pack.remove();
    reel.dataset.drawn = "yes";
    if (at >= 0) list.querySelectorAll("a")[at]?.focus({ preventScroll: true });
  };
  // The inside of a shot, or the rest of a list, when it is unfolded.
  const drawInside = async (details) => {
    const shot = details.closest(".shot");
    const own = packOf(details);
    const group = shot?.closest(".group");
    if (own) {
      const content = document.importNode(await unpack(own), true);
      if (own.isConnected) own.replaceWith(content);
    } else if (group && details.parentElement === shot && !shot.querySelector(".inside")) {
      // Insides lie in the pack in the order of the group's shots.
      const at = [...group.querySelectorAll(":scope > .shot")].indexOf(shot);
      const content = await unpack(packOf(group));
      if (shot.querySelector(".inside")) return;
      details.append(document.importNode(content.children[at], true));
    } else {
      return;
    }
    whenDrawn.forEach((does) => does(details));
  };

  // Two pictures of a shot on top of each other, with a line between them that a slider moves.
  const wiper = (stills) => {
    const pictures = [...stills.querySelectorAll("img")];
    if (pictures.length < 2 || stills.dataset.wiped) return;
    stills.dataset.wiped = "yes";
    const shot = stills.closest("[data-name]")?.dataset.name || "";
    const choice = (at) => {
      const list = make("select");
      pictures.forEach((picture, n) => list.append(make("option", { value: n }, picture.dataset.stage)));
      list.value = at;
      return list;
    };
    const before = choice(0), after = choice(pictures.length - 1);
    const slider = make("input", { type: "range", min: 0, max: 100, value: 50, step: 1, "aria-label": `${shot}: where the picture before ends` });
    const turn = make("button", { type: "button", "aria-pressed": "false" }, "Only after");
    const [under, over] = [make("img", { alt: "" }), make("img", { alt: "" })];
    const view = make("div", { class: "view" }, under, over);
    const show = () => {
      for (const [image, list, word] of [[under, before, "before"], [over, after, "after"]]) {
        const of = pictures[list.value];
        if (image.src !== of.src) image.src = of.src;
        image.alt = `${word}: ${shot} ${of.alt}`;
        image.width = of.width; image.height = of.height;
      }
      const at = turn.getAttribute("aria-pressed") === "true" ? 0 : Number(slider.value);
      view.style.setProperty("--at", `${at}%`);
      slider.setAttribute("aria-valuetext", `${at} % ${pictures[before.value].dataset.stage}, ${100 - at} % ${pictures[after.value].dataset.stage}`);
    };
    turn.addEventListener("click", () => {
      turn.setAttribute("aria-pressed", turn.getAttribute("aria-pressed") !== "true");
      show();
    });
    slider.addEventListener("input", () => { turn.setAttribute("aria-pressed", "false"); show(); });
    before.addEventListener("change", show);
    after.addEventListener("change", show);
    const slide = (event) => {
      const box = view.getBoundingClientRect();
      slider.value = Math.round(100 * (event.clientX - box.left) / box.width);
      turn.setAttribute("aria-pressed", "false");
      show();
    };
    view.addEventListener("pointerdown", (event) => { view.setPointerCapture(event.pointerId); slide(event); });
    view.addEventListener("pointermove", (event) => { if (event.buttons) slide(event); });
    const labelled = (text, thing, name) => make("label", name ? { class: name } : {}, text, thing);
    const all = make("div", { class: "wiper", role: "group", "aria-label": `${shot}: before and after` }, view,
      make("div", { class: "controls" }, labelled("Line between them", slider, "wipe"), labelled("Before", before), labelled("After", after), turn));
    stills.before(all);
    const box = make("div", { class: "look" });
    all.before(box);
    box.append(all, stills);
    show();
  };

  // Built when a shot comes near, so that a long film costs nothing at first.
  const near = new IntersectionObserver((seen) => {
    for (const { isIntersecting, target } of seen) {
      if (isIntersecting && target.querySelector("details[open]")) { target.querySelectorAll(".stills").forEach(wiper); }
    }
  }, { rootMargin: "600px" });
  const nearReels = new IntersectionObserver((seen) => {
    for (const { isIntersecting, target } of seen) {
      if (isIntersecting) { nearReels.unobserve(target); drawReel(target); }
    }
  }, { rootMargin: "1500px" });
  const prepare = (root) => {
    const all = (name) => root.matches?.(name) ? [root] : root.querySelectorAll(name);
    all(".shot").forEach((shot) => { if (shot.querySelector("details[open]")) near.observe(shot); });
    all(".reel").forEach((reel) => nearReels.observe(reel));
  };
  document.addEventListener("toggle", async ({ target }) => {
    if (!target.open) return;
    await drawInside(target);
    if (target.parentElement.matches(".shot")) target.querySelectorAll(".stills").forEach(wiper);
  }, true);

  // A shot that is gone to is unfolded.
  const unfold = () => {
    let id = location.hash.slice(1);
    try { id = decodeURIComponent(id); } catch { /* An address that somebody wrote by hand leads nowhere. */ }
    const at = id && document.getElementById(id);
    const folded = at && at.matches(".shot") && at.querySelector("details");
    if (folded) { folded.open = true; at.hidden = false; at.scrollIntoView(); at.querySelector("summary").focus({ preventScroll: true }); }
  };

  // Left and right go along the strip.
  document.addEventListener("keydown", (event) => {
    const here = event.target.closest?.(".piece a");
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (!here || (!step && event.key !== "Home" && event.key !== "End")) return;
    const all = [...document.querySelectorAll(".piece a")];
    const to = event.key === "Home" ? 0 : event.key === "End" ? all.length - 1 : all.indexOf(here) + step;
    if (all[to]) { event.preventDefault(); all[to].focus(); }
  });

  // Shots by name, and those that ask for something.
  const finder = () => {
    const shots = document.getElementById("all-shots");
    if (!shots || document.querySelectorAll(".shot").length < 8) return;
    const name = make("input", { type: "search", id: "find-shot", autocomplete: "off", spellcheck: "false" });
    const only = make("input", { type: "checkbox", id: "find-asking" });
    const count = make("span", { role: "status", class: "says" });
    const find = () => {
      let shown = 0;
      const wanted = name.value.trim().toLowerCase();
      document.querySelectorAll(".shot").forEach((shot) => {
        const fits = shot.dataset.name.toLowerCase().includes(wanted) && (!only.checked || "asks" in shot.dataset);
        shot.hidden = !fits;
        shown += fits;
      });
      count.textContent = wanted || only.checked ? `${shown} shown` : "";
    };
    name.addEventListener("input", find);
    only.addEventListener("change", find);
    shots.before(make("div", { class: "finder", role: "search", "aria-label": "Shots" },
      make("div", {}, make("label", { for: "find-shot" }, "Shots whose names contain"), name),
      make("label", {}, only, " only those that are not done"), count));
    return find;
  };

  let find = finder();
  prepare(document);
  addEventListener("hashchange", unfold);
  unfold();
  // A long film is printed as it stands on the page, or it would fill hundreds of sheets.
  addEventListener("beforeprint", () => {
    if (!document.querySelector(".group")) document.querySelectorAll("details:not(.table)").forEach((one) => { one.open = true; });
  });
  window.endboard = {
    make, prepare, drawReel, drawInside, whenDrawn,
    find: () => {
      // A page that was put in order anew has lost its finder.
      if (!document.querySelector(".finder")) find = finder();
      if (find) find();
    },
  };
})();
