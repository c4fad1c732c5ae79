"use strict";
// Comfort only: every page shows and submits without this file.
(() => {
  const RECORDS = "svg.history g[tabindex]";

  // Error history: the record under the pointer or the focus is read out below the chart.
  function showReading(event) {
    const record = event.target.closest?.(RECORDS);
    const reading = record?.closest("[data-chart]")?.querySelector("[data-reading]");
    const words = record?.querySelector("title")?.textContent;
    if (reading && words && reading.textContent !== words) reading.textContent = words;
  }

  // One tab stop for each chart, arrows from record to record in order of time.
  function gatherStops(root) {
    for (const chart of root.querySelectorAll("[data-chart]")) {
      const records = recordsByTime(chart);
      records.forEach((record, i) => record.setAttribute("tabindex", i === records.length - 1 ? "0" : "-1"));
      const scroller = chart.querySelector(".scroll");
      if (scroller) scroller.scrollLeft = scroller.scrollWidth;
    }
  }

  function recordsByTime(chart) {
    const place = (record) => record.querySelector(".ink-hit").getBBox();
    const middle = (box) => box.x + box.width / 2;
    return [...chart.querySelectorAll(RECORDS)].sort((a, b) => middle(place(a)) - middle(place(b)));
  }

  function walkRecords(event) {
    const record = event.target.closest?.(RECORDS);
    const chart = record?.closest("[data-chart]");
    if (!chart) return;
    const records = recordsByTime(chart);
    const at = records.indexOf(record);
    const next = { ArrowLeft: at - 1, ArrowRight: at + 1, Home: 0, End: records.length - 1 }[event.key];
    if (next === undefined) return;
    event.preventDefault();
    if (!records[next]) return;
    record.setAttribute("tabindex", "-1");
    records[next].setAttribute("tabindex", "0");
    records[next].focus();
  }

  // Sums: <div data-sum><input data-addend> … <output data-total>. A total stands only when every part does.
  function readDecimal(text) {
    const plain = text.trim().replace(",", ".");
    return /^[+-]?\d+(\.\d+)?$/.test(plain) ? plain : null;
  }

  function addUp(group) {
    const total = group.querySelector("[data-total]");
    const parts = [...group.querySelectorAll("[data-addend]")].map((input) => readDecimal(input.value));
    if (!total || !parts.length) return;
    const places = Math.max(0, ...parts.map((part) => (part?.split(".")[1] ?? "").length));
    const sum = parts.includes(null) ? null : parts.reduce((all, part) => all + Number(part), 0);
    total.textContent = sum === null ? "–" : sum.toFixed(places);
  }

  // Forms marked data-keep warn before typed values are left behind.
  const dirty = new Set();

  document.addEventListener("input", (event) => {
    const group = event.target.closest?.("[data-sum]");
    if (group) addUp(group);
    const form = event.target.closest?.("form[data-keep]");
    if (form) dirty.add(form);
  });
  document.addEventListener("submit", (event) => dirty.delete(event.target));
  addEventListener("beforeunload", (event) => {
    if ([...dirty].some((form) => form.isConnected)) event.preventDefault();
  });

  document.addEventListener("pointerover", showReading);
  document.addEventListener("focusin", showReading);
  document.addEventListener("keydown", (event) => {
    walkRecords(event);
    const menu = event.key === "Escape" && event.target.closest?.("details.menu[open]");
    if (!menu) return;
    menu.open = false;
    menu.querySelector("summary").focus();
  });
  document.addEventListener("click", (event) => {
    for (const menu of document.querySelectorAll("details.menu[open]")) {
      if (!menu.contains(event.target)) menu.open = false;
    }
  });

  // What is folded away is printed with the rest, unless it is there to be filled in.
  const unfolded = new Set();
  addEventListener("beforeprint", () => {
    for (const part of document.querySelectorAll("main details:not([open])")) {
      if (part.querySelector("form")) continue;
      part.open = true;
      unfolded.add(part);
    }
  });
  addEventListener("afterprint", () => {
    for (const part of unfolded) part.open = false;
    unfolded.clear();
  });

  function prepare(root) {
    gatherStops(root);
    root.querySelectorAll("[data-sum]").forEach(addUp);
  }
  prepare(document);
  document.addEventListener("htmx:load", (event) => prepare(event.target.parentElement ?? document));
})();
