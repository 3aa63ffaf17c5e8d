// Filter, keyboard steps and copying. Everything can be read without it.
"use strict";
(function () {
  var steps = Array.prototype.slice.call(document.querySelectorAll(".step"));
  var filter = document.querySelector(".filter");
  var here = -1;

  function shown(step) { return !step.hidden && step.offsetParent !== null; }

  function apply() {
    var student = document.getElementById("f-student").value;
    var place = document.getElementById("f-place").value;
    var count = 0;
    steps.forEach(function (step) {
      step.hidden = (student && step.dataset.student !== student) || (place && step.dataset.place !== place);
      if (!step.hidden) { count += 1; }
    });
    document.querySelectorAll(".group").forEach(function (group) {
      var inside = group.querySelectorAll(".step");
      group.hidden = inside.length > 0 && Array.prototype.every.call(inside, function (s) { return s.hidden; });
    });
    filter.querySelector(".found").textContent = student || place ? count + (count === 1 ? " clip shown" : " clips shown") : "";
  }

  if (filter) {
    filter.hidden = false;
    filter.addEventListener("change", apply);
    filter.addEventListener("submit", function (e) { e.preventDefault(); });
    apply();
  }

  function go(by) {
    var next = here + by;
    while (next >= 0 && next < steps.length && !shown(steps[next])) { next += by; }
    if (next < 0 || next >= steps.length) { return; }
    if (steps[here]) { steps[here].classList.remove("here"); }
    here = next;
    steps[here].classList.add("here");
    var link = steps[here].querySelector(".open");
    if (link) { link.focus({ preventScroll: true }); }
    steps[here].scrollIntoView({ block: "start" });
  }

  document.addEventListener("focusin", function (e) {
    var step = e.target.closest && e.target.closest(".step");
    if (!step || steps[here] === step) { return; }
    if (steps[here]) { steps[here].classList.remove("here"); }
    here = steps.indexOf(step);
  });

  document.addEventListener("keydown", function (e) {
    if (e.ctrlKey || e.metaKey || e.altKey || /^(INPUT|SELECT|TEXTAREA)$/.test(e.target.tagName)) { return; }
    // arrows scroll as usual until a clip has been stepped to
    var stepping = steps[here] && steps[here].contains(document.activeElement);
    var by = e.key === "j" || (e.key === "ArrowDown" && stepping) ? 1 : e.key === "k" || (e.key === "ArrowUp" && stepping) ? -1 : 0;
    if (!by) { return; }
    if (steps.length === 0 || document.body.classList.contains("clip")) {
      var way = document.querySelector(by > 0 ? "a[rel=next]" : "a[rel=prev]");
      if (way && (e.key === "j" || e.key === "k")) { way.click(); }
      return;
    }
    e.preventDefault();
    go(by);
  });

  document.querySelectorAll(".copy").forEach(function (button) {
    var words = button.textContent;
    var from = button.parentElement.querySelector(".letter-text, textarea");
    button.hidden = false;
    button.addEventListener("click", function () {
      function select() {
        if (from.select) { from.select(); } else { window.getSelection().selectAllChildren(from); }
      }
      function done(ok) {
        button.textContent = ok ? "Copied" : "Selected: copy it by hand";
        setTimeout(function () { button.textContent = words; }, 2500);
      }
      function old() {
        select();
        var ok = false;
        try { ok = document.execCommand("copy"); } catch (_) { ok = false; }
        done(ok);
      }
      var text = from.value === undefined ? from.textContent : from.value;
      if (navigator.clipboard && navigator.clipboard.writeText) {
        navigator.clipboard.writeText(text).then(function () { done(true); }, old);
      } else { old(); }
    });
  });
})();
