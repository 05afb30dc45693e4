// What every page does a little better with a script: times in the viewer's zone, a scanner that types anywhere, evidence
// in place. Without it all of it works by links, in UTC.
(function () {
  "use strict";
  var root = document.documentElement;

  function two(n) { return (n < 10 ? "0" : "") + n; }
  function day(t) { return t.getFullYear() + "-" + two(t.getMonth() + 1) + "-" + two(t.getDate()); }
  function clock(t) { return two(t.getHours()) + ":" + two(t.getMinutes()) + ":" + two(t.getSeconds()); }
  function span(s) {
    if (s < 60) return Math.floor(s) + " s";
    if (s < 3600) return Math.floor(s / 60) + " min";
    if (s < 86400) return Math.floor(s / 3600) + " h " + two(Math.floor(s % 3600 / 60)) + " min";
    return Math.floor(s / 86400) + " d";
  }

  function times(within) {
    var i, t, today = day(new Date()), found = within.querySelectorAll("time[datetime]:not(.age)");
    for (i = 0; i < found.length; i++) {
      t = new Date(found[i].getAttribute("datetime"));
      if (!isNaN(t)) found[i].textContent = (day(t) === today ? "" : day(t) + " ") + clock(t);
    }
    found = within.querySelectorAll("[data-clock]");
    for (i = 0; i < found.length; i++) {
      t = new Date(found[i].getAttribute("data-clock"));
      if (!isNaN(t)) found[i].textContent = clock(t);
    }
  }
  function ages() {
    var i, t, s, found = document.querySelectorAll("time.age");
    for (i = 0; i < found.length; i++) {
      t = new Date(found[i].getAttribute("datetime"));
      s = (Date.now() - t) / 1000;
      if (!isNaN(t) && s >= 0) found[i].textContent = span(s);
    }
  }
  function zone() {
    var place = document.getElementById("zone"), minutes = -new Date().getTimezoneOffset(), name = "";
    try { name = Intl.DateTimeFormat().resolvedOptions().timeZone || ""; } catch (e) { name = ""; }
    var off = "UTC" + (minutes ? (minutes < 0 ? "-" : "+") + two(Math.floor(Math.abs(minutes) / 60)) + ":" + two(Math.abs(minutes) % 60) : "");
    if (place) place.textContent = "Times are in your zone, " + (name && name !== "UTC" ? name + " (" + off + ")" : off) + "; UTC stands behind each.";
  }

  // A scanner is a keyboard: whatever is typed outside of a field goes to the scan field. A list of choices takes letters
  // too: there it is a scanner when they follow each other faster than a hand can type, and the choice is put back.
  var field = document.getElementById("scan");
  var burst = {select: null, text: "", last: 0, chosen: 0}, FASTER_MS = 50;
  function typing(target) {
    if (!target) return false;
    if (target.tagName === "INPUT") return !/^(button|checkbox|file|radio|reset|submit)$/.test(target.type);
    return target.tagName === "TEXTAREA" || target.isContentEditable;
  }
  function inChoice(select, event) {
    if (event.key !== "Enter" && event.key.length !== 1) return;
    if (burst.select !== select || event.timeStamp - burst.last > FASTER_MS) burst = {select: select, text: "", chosen: select.selectedIndex};
    burst.last = event.timeStamp;
    var whole = event.key === "Enter";
    if (!whole) burst.text += event.key;
    if (whole ? !burst.text : burst.text.length < 2) return;
    event.preventDefault();
    select.selectedIndex = burst.chosen;
    field.value = burst.text;
    field.focus();
    burst = {select: null};
    if (whole) field.form.submit();
  }
  document.addEventListener("keydown", function (event) {
    if (!field || event.ctrlKey || event.altKey || event.metaKey || event.defaultPrevented || typing(event.target)) return;
    if (event.key && event.target && event.target.tagName === "SELECT") { inChoice(event.target, event); return; }
    if (event.key && event.key.length === 1 && event.key !== " ") { field.value = ""; field.focus(); }
  });
  if (field && field.hasAttribute("data-holds-focus")) {
    field.focus();
    window.addEventListener("pageshow", function () { field.value = ""; field.focus(); });
    window.addEventListener("focus", function () { if (document.activeElement === document.body) field.focus(); });
    document.addEventListener("click", function (event) {
      if (!event.target.closest || !event.target.closest("a, button, input, summary, label")) field.focus();
    });
  }

  // Evidence in place.
  document.addEventListener("toggle", function (event) {
    var box = event.target, part = box.getAttribute && box.getAttribute("data-part");
    if (!part || !box.open) return;
    box.removeAttribute("data-part");
    fetch(part, {credentials: "same-origin"}).then(function (answer) {
      if (!answer.ok) throw new Error(answer.status);
      return answer.text();
    }).then(function (text) {
      var made = new DOMParser().parseFromString(text, "text/html"), old = box.querySelector("p");
      while (made.body.firstChild) box.insertBefore(made.body.firstChild, old);
      times(box);
    }).catch(function () { box.setAttribute("data-part", part); });
  }, true);

  function switcher(id, attribute, choose) {
    var button = document.getElementById(id);
    if (!button) return;
    button.addEventListener("click", function () {
      var next = choose(root.getAttribute(attribute));
      root.setAttribute(attribute, next);
      try { localStorage.setItem(id, next); } catch (e) { /* not kept, then */ }
    });
  }
  switcher("theme", "data-theme", function (now) {
    if (now) return now === "dark" ? "light" : "dark";
    return window.matchMedia && matchMedia("(prefers-color-scheme: dark)").matches ? "light" : "dark";
  });
  switcher("size", "data-size", function (now) { return now === "large" ? "normal" : "large"; });
  var looks = document.querySelector(".looks");
  if (looks) looks.hidden = false;

  times(document);
  zone();
  ages();
  setInterval(ages, 1000);
  window.bridge = {times: times, ages: ages};
})();
