// Draws a part of the page anew when something was recorded. Listens to the record's events; where that is not possible,
// asks every few seconds.
(function () {
  "use strict";
  var state = document.getElementById("live"), address = state && state.getAttribute("data-live");
  if (!address) return;
  var place = state.getAttribute("data-place"), note = document.createElement("span"), gone = 0, wanted = false, heard = 0, busy = false, last = 0, told = "";
  state.appendChild(document.createTextNode(" "));
  state.appendChild(note);

  function say(text) { if (text !== told) { told = text; note.textContent = text; } }
  function two(n) { return (n < 10 ? "0" : "") + n; }

  // Whoever goes through the rows by keyboard stays where they were: at the same link, the same one of several alike.
  function alike(within, address) {
    var found = [], links = within.getElementsByTagName("a"), i;
    for (i = 0; i < links.length; i++) if (links[i].getAttribute("href") === address) found.push(links[i]);
    return found;
  }
  function focusIn(old) {
    var here = document.activeElement, address = here && old.contains(here) && here.getAttribute("href");
    return address ? {address: address, number: alike(old, address).indexOf(here)} : null;
  }
  function giveFocus(made, kept) {
    var found = alike(made, kept.address);
    if (found.length) found[Math.min(kept.number, found.length - 1)].focus();
  }

  function draw() {
    busy = true; last = Date.now();
    wanted = last - heard < 1300;  // the service's look may be a second old: once more
    fetch(address, {credentials: "same-origin", cache: "no-cache"}).then(function (answer) {
      if (!answer.ok) throw new Error(answer.status);
      return answer.text();
    }).then(function (text) {
      var made = new DOMParser().parseFromString(text, "text/html").getElementById(place);
      var old = document.getElementById(place), kept = old && focusIn(old);
      if (!made || !old) return;
      old.parentNode.replaceChild(document.adoptNode(made), old);
      window.bridge.times(made);
      window.bridge.ages();
      if (kept) giveFocus(made, kept);
      gone = 0;
      say(listening() ? "Live." : "Asked anew every few seconds.");
    }).catch(function () {
      gone += 1;
      if (gone > 1) { var now = new Date(last); say("Not connected: as of " + two(now.getHours()) + ":" + two(now.getMinutes()) + ":" + two(now.getSeconds()) + "."); }
    }).then(function () { busy = false; });
  }

  var events = null;
  function listening() { return events && events.readyState === 1; }
  if (window.EventSource) {
    events = new EventSource("/api/v1/live");
    ["told", "open", "gap"].forEach(function (name) {
      events.addEventListener(name, function () { wanted = true; heard = Date.now(); });
    });
    window.addEventListener("beforeunload", function () { events.close(); });
  }
  setInterval(function () {
    var quiet = Date.now() - last;
    if (!busy && !document.hidden && ((wanted && quiet > 700) || quiet > (listening() ? 20000 : 4000))) draw();
  }, 250);
})();
