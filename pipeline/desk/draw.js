// Draws the clips that are to be measured by hand, and shows them; adopts what the marks say, and takes it back.
"use strict";
(function () {
  function post(where, what) {
    return fetch(where, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(what) })
      .then(function (answer) {
        if (!answer.ok) { return answer.text().then(function (why) { throw new Error(why); }); }
        return answer.json();
      });
  }
  var button = document.getElementById("draw");
  if (button) {
    var status = document.getElementById("draw-status");
    button.addEventListener("click", function () {
      post("draw", {})
        .then(function (done) {
          if (done.waiting > 0) { location.reload(); } else { status.textContent = "There is no face-on clip left to mark."; }
        })
        .catch(function (e) { status.textContent = "Not drawn: " + e.message; });
    });
  }
  ["adopt", "drop"].forEach(function (what) {
    document.querySelectorAll("[data-" + what + "]").forEach(function (b) {
      var metric = b.getAttribute("data-" + what);
      b.addEventListener("click", function () {
        post(what, { metric: metric })
          .then(function () { location.reload(); })
          .catch(function (e) { document.getElementById("said-" + metric).textContent = "Nothing was changed: " + e.message; });
      });
    });
  });
})();
