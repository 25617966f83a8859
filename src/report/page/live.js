// Parts of a page that is served are replaced as they change, and what a person writes down is sent with the token.
"use strict";
(() => {
  const { make, prepare, find, drawReel, drawInside, whenDrawn } = window.endboard;
  const KEY = "endboard-token";

  // The token comes in the address behind #, which browsers send to nobody, and is taken out of it at once.
  const given = /^#token=([A-Za-z0-9_-]+)$/.exec(location.hash);
  if (given) {
    sessionStorage.setItem(KEY, given[1]);
    history.replaceState(null, "", location.pathname);
  }
  const field = document.getElementById("token");
  const ask = document.getElementById("token-ask");
  const token = () => field.value.trim() || sessionStorage.getItem(KEY) || "";
  ask.hidden = Boolean(sessionStorage.getItem(KEY));
  field.addEventListener("change", () => sessionStorage.setItem(KEY, field.value.trim()));

  const says = document.getElementById("desk-answer");
  const send = async (what) => {
    says.textContent = "";
    try {
      const answer = await fetch("/write", {
        method: "POST",
        headers: { "Content-Type": "application/json", "X-Endboard-Token": token() },
        body: JSON.stringify(what),
        credentials: "omit",
      });
      // What turns a question away before it is read says so in plain words.
      const words = await answer.text();
      says.textContent = answer.headers.get("Content-Type")?.startsWith("application/json") ? JSON.parse(words).says : words;
      if (answer.status === 401) { ask.hidden = false; field.focus(); }
      return answer.ok;
    } catch {
      says.textContent = "The program that serves this page does not answer; it may have ended.";
      return false;
    }
  };

  const form = document.getElementById("desk-form");
  // One thing is sent at a time: a second press while the first is under way would say everything twice.
  let sending = false;
  const alone = async (does) => {
    if (sending) return;
    sending = true;
    const at = document.activeElement;
    const turn = (off) => document.querySelectorAll("#desk-form button, [data-note] button").forEach((one) => { one.disabled = off; });
    turn(true);
    try { await does(); } finally {
      sending = false;
      turn(false);
      if (at?.isConnected && document.activeElement === document.body) at.focus({ preventScroll: true });
    }
  };
  // Which renders of the stage named the page shows: approving says it, so that nobody approves what came after the look. It is
  // taken when the stage is named, and anew after a refusal.
  let picked = { stage: "", shown: "" };
  const pick = async () => {
    const stage = `${form.elements.shot.value}/${form.elements.stage.value}`;
    if (picked.stage === stage && picked.shown) return;
    const shot = document.querySelector(`.shot[data-name="${CSS.escape(form.elements.shot.value)}"] > details`);
    if (shot) await drawInside(shot);
    picked = { stage, shown: document.querySelector(`[data-of="${CSS.escape(stage)}"]`)?.dataset.shown ?? "" };
  };
  form.elements.shot.addEventListener("focus", () => {
    const names = [...document.querySelectorAll(".shot")].map((shot) => make("option", { value: shot.dataset.name }));
    document.getElementById("known-shots").replaceChildren(...names);
  });
  form.elements.shot.addEventListener("change", pick);
  form.elements.stage.addEventListener("change", pick);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const does = event.submitter ? event.submitter.value : "note";
    const what = Object.fromEntries([...new FormData(form)].filter(([, value]) => value !== ""));
    alone(async () => {
      if (does === "approve") { await pick(); what.shown = picked.shown; }
      const done = await send({ ...what, does });
      if (does === "approve") picked = { stage: "", shown: "" };
      if (done) { form.elements.says.value = ""; form.elements.took.value = ""; }
    });
  });
  // A rebuild names no shot, and a person's only clock is stopped without one.
  for (const does of ["rebuild", "stop"]) form.querySelector(`[value=${does}]`).formNoValidate = true;

  const settle = (root) => {
    root.querySelectorAll("[data-note]").forEach((note) => {
      if (note.querySelector("button")) return;
      const words = note.querySelector(".place").textContent;
      const button = make("button", { type: "button", "aria-label": `Settle the note on ${words}` }, "Settle");
      button.addEventListener("click", () => alone(() => send({ does: "resolve", note: note.dataset.note })));
      note.append(" ", button);
    });
    root.querySelectorAll(".shot").forEach(offer);
    if (root.closest?.(".shot")) offer(root.closest(".shot"));
  };
  // From a shot to the desk, with its name filled in.
  const offer = (shot) => {
    const inside = shot.querySelector(".inside");
    if (!inside || inside.querySelector(".to-desk")) return;
    const button = make("button", { type: "button", class: "to-desk" }, `Write something down on ${shot.dataset.name}`);
    button.addEventListener("click", () => {
      form.elements.shot.value = shot.dataset.name;
      const stages = shot.querySelectorAll(".stage");
      form.elements.stage.value = stages.length ? stages[stages.length - 1].textContent : "";
      pick();
      form.elements.says.focus();
    });
    inside.append(make("p", {}, button));
  };

  // What a reader has unfolded, typed or is at stays as it was.
  const replace = async (old, text) => {
    const made = new DOMParser().parseFromString(text, "text/html").body.firstElementChild;
    if (!made) return;
    if (old.dataset.drawn) await drawReel(made);
    const open = [...old.querySelectorAll("details")].map((one) => one.open);
    const at = old.contains(document.activeElement) ? [...old.querySelectorAll("a, button, input, select, summary")].indexOf(document.activeElement) : -1;
    const node = document.importNode(made, true);
    [...node.querySelectorAll("details")].forEach((one, n) => { if (n < open.length && one.open !== open[n]) one.open = open[n]; });
    node.hidden = old.hidden;
    old.replaceWith(node);
    prepare(node);
    settle(node);
    if (at >= 0) node.querySelectorAll("a, button, input, select, summary")[at]?.focus({ preventScroll: true });
  };

  let version = Number(document.body.dataset.version);
  const anew = async () => {
    const answer = await fetch("/", { credentials: "omit" });
    // Turned away, the page stays as it was, and asks again.
    if (!answer.ok) { setTimeout(() => after(anew), 2000); return; }
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    version = Number(page.body.dataset.version);
    document.body.dataset.version = version;
    // Where whole parts came or went, the page is put in order again around them, all but the desk.
    const folds = [...document.querySelectorAll(".shot > details")].map((one) => [one.parentElement.id, one.open]);
    const finder = document.querySelector(".finder");
    const at = document.activeElement;
    const [across, down] = [scrollX, scrollY];
    const desk = document.getElementById("desk");
    const main = document.getElementById("main");
    const sections = [...page.getElementById("main").children].map((one) => one.id === "desk" ? desk : document.importNode(one, true));
    main.replaceChildren(...sections);
    for (const id of ["head", "contents"]) document.getElementById(id).replaceWith(document.importNode(page.getElementById(id), true));
    // What a reader looks for among the shots goes on.
    if (finder) document.getElementById("all-shots")?.before(finder);
    if (finder?.contains(at)) at.focus({ preventScroll: true });
    for (const [id, open] of folds) {
      const details = document.getElementById(id)?.querySelector("details");
      if (details) { details.open = open; if (open) await drawInside(details); }
    }
    prepare(document);
    settle(document);
    find();
    scrollTo({ left: across, top: down, behavior: "instant" });
  };

  const running = make("p", { id: "running", role: "status" });
  document.getElementById("main").before(running);
  const take = async ({ from, to, parts }) => {
    if (from !== version) { if (to !== version) await anew(); return; }
    version = to;
    document.body.dataset.version = to;
    for (const { id, html } of parts) {
      const old = document.getElementById(id);
      if (old) await replace(old, html);
    }
    find();
  };
  // One change is drawn after the other, in the order in which they came.
  let last = Promise.resolve();
  const after = (does) => { last = last.then(does).catch(() => {}); };
  let events;
  const follow = () => {
    events = new EventSource("/events");
    events.addEventListener("parts", (event) => after(() => take(JSON.parse(event.data))));
    events.addEventListener("version", (event) => after(() => Number(event.data) !== version && anew()));
    events.addEventListener("running", (event) => { running.textContent = JSON.parse(event.data); });
    events.onopen = () => { running.textContent = ""; };
    events.onerror = () => {
      running.textContent = events.readyState === EventSource.CLOSED
        ? "So many pages follow this film already that this one is not told of changes; close some, and load this one again."
        : "No word from the program that serves this page; it is asked again and again.";
    };
  };
  // Browsers open few connections to one address: a page that nobody sees leaves its own to others.
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) events.close();
    else if (events.readyState === EventSource.CLOSED) follow();
  });
  follow();
  whenDrawn.push(settle);
  settle(document);
})();
