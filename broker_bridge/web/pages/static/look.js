// How the page looks, before it is drawn: light or dark, normal or large, as this browser was told last.
(function () {
  "use strict";
  var root = document.documentElement;
  function kept(name) { try { return localStorage.getItem(name); } catch (e) { return null; } }
  var theme = kept("theme"), size = kept("size");
  if (theme) root.setAttribute("data-theme", theme);
  if (size && !root.hasAttribute("data-size")) root.setAttribute("data-size", size);
})();
