// Draws the clips that are to be measured by hand, and shows them.
"use strict";
(function () {
  var button = document.getElementById("draw");
  if (!button) { return; }
  var status = document.getElementById("draw-status");
  button.addEventListener("click", function () {
    fetch("draw", { method: "POST", headers: { "Content-Type": "application/json" }, body: "{}" })
      .then(function (answer) {
        if (!answer.ok) { return answer.text().then(function (why) { throw new Error(why); }); }
        return answer.json();
      })
      .then(function (done) {
        if (done.waiting > 0) { location.reload(); } else { status.textContent = "There is no face-on clip left to mark."; }
      })
      .catch(function (e) { status.textContent = "Not drawn: " + e.message; });
  });
})();
