"use strict";
(() => {
  const list = document.getElementById("gaps");
  const tools = document.getElementById("tools");
  const count = document.getElementById("count");
  const search = document.getElementById("search");
  const sort = document.getElementById("sort");
  const hide = document.getElementById("hide-names");
  const picks = [...document.querySelectorAll(".pick")];
  const selects = [...document.querySelectorAll("[data-filter]")];
  const rows = [...list.children];
  const steps = [...document.querySelectorAll(".step")];
  const all = [...rows, ...steps];
  const groups = [...document.querySelectorAll(".same"), ...document.querySelectorAll(".over")];
  const people = [...document.querySelectorAll(".patient")];
  const lists = [...document.querySelectorAll(".each, .doubt")];
  const over = document.getElementById("of-over");
  const one = document.getElementById("one");
  // A file says nothing of its age by itself: opened weeks later it would look like the list of today.
  const age = document.getElementById("age");
  const now = new Date();
  const today = Date.UTC(now.getFullYear(), now.getMonth(), now.getDate());
  const old = Math.round((today - Date.parse(age.dataset.of)) / 86400000);
  if (old > 0) {
    age.firstElementChild.textContent = `Not the list of today: it is ${old === 1 ? "1 day" : `${old} days`} old. Make it again before you act on it.`;
    age.hidden = false;
  }
  let only = "";
  const plain = (text) => text.normalize("NFD").replace(/\p{M}/gu, "").toLowerCase();
  const texts = new Map(all.map((row) => {
    const person = row.closest(".over")?.querySelector("h3").textContent ?? "";
    return [row, plain(`${person} ${row.textContent}`)];
  }));

  const ours = (row) => only === "" || (row.closest(".over") ?? row).dataset.patient === only;
  const shows = (row) => {
    const words = plain(search.value).split(/\s+/).filter(Boolean);
    const severities = picks.filter((p) => p.getAttribute("aria-pressed") === "true").map((p) => p.dataset.severity);
    return ours(row)
      && words.every((w) => texts.get(row).includes(w))
      && (severities.length === 0 || severities.includes(row.dataset.pick))
      && selects.every((s) => s.value === "" || row.dataset[s.dataset.filter] === s.value);
  };
  const refresh = () => {
    let shown = 0;
    for (const row of all) {
      row.hidden = !shows(row);
      if (!row.hidden) shown += 1;
    }
    const seen = rows.filter((row) => !row.hidden);
    rows.forEach((row) => row.classList.remove("more"));
    seen.forEach((row, at) => {
      const above = at > 0 ? Number(seen[at - 1].dataset.order) : -1;
      row.classList.toggle("more", "more" in row.dataset && above === Number(row.dataset.order) - 1);
    });
    for (const group of groups) group.hidden = !group.querySelector(".step:not([hidden])");
    if (over) over.hidden = only !== "" && !over.querySelector(".step:not([hidden])");
    const total = all.filter(ours).length;
    const filtered = shown < total ? " (filtered: the others are hidden)" : "";
    count.textContent = `${shown} of ${total} shown${filtered}`;
  };
  const order = () => {
    const field = sort.value;
    const number = (row) => Number(row.dataset.order);
    const key = (row) => field === "patient" ? row.dataset.patient.padStart(9, "0") : row.dataset[field];
    rows.sort((a, b) => (field === "order" ? 0 : key(a) < key(b) ? -1 : key(a) > key(b) ? 1 : 0) || number(a) - number(b));
    list.append(...rows);
    refresh();
  };
  const show = (patient) => {
    only = patient;
    document.body.classList.toggle("one", only !== "");
    for (const person of people) {
      person.hidden = only !== "" && person.dataset.patient !== only;
    }
    for (const list of lists) {
      const lines = [...list.querySelectorAll("li")];
      for (const line of lines) line.hidden = only !== "" && line.dataset.patient !== only;
      list.hidden = list.matches("section") && lines.every((line) => line.hidden);
    }
    one.hidden = only === "";
    const shown = people.find((person) => person.dataset.patient === only);
    document.getElementById("one-name").replaceChildren(...(shown ? [...shown.querySelector("h3").cloneNode(true).childNodes] : []));
    refresh();
    if (only !== "") document.getElementById("list").focus();
  };
  const names = () => document.body.classList.toggle("no-names", Boolean(hide && hide.checked));

  for (const pick of picks) {
    pick.disabled = false;
    pick.addEventListener("click", () => {
      pick.setAttribute("aria-pressed", String(pick.getAttribute("aria-pressed") !== "true"));
      refresh();
    });
  }
  for (const person of people) {
    const button = person.querySelector(".only");
    button.hidden = false;
    button.addEventListener("click", () => show(person.dataset.patient));
  }
  document.getElementById("everybody").addEventListener("click", () => show(""));
  search.addEventListener("input", refresh);
  for (const select of selects) select.addEventListener("change", refresh);
  sort.addEventListener("change", order);
  if (hide) hide.addEventListener("change", names);
  tools.addEventListener("submit", (event) => event.preventDefault());
  tools.addEventListener("reset", () => setTimeout(() => {
    for (const pick of picks) pick.setAttribute("aria-pressed", "false");
    order();
    names();
    show("");
  }));
  document.getElementById("filters").open = window.matchMedia("(min-width: 861px)").matches;
  tools.hidden = false;
  order();
  names();
})();
