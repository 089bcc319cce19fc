// One window of a device is the station: of two, the one that was there first, unless someone
// goes on in the other.
(function () {
  "use strict";

  // `aside()` is called when another window is the station. What is returned takes it over.
  window.oneTab = function (station, aside) {
    if (!window.BroadcastChannel) { return function () { location.reload(); }; }
    var channel = new BroadcastChannel("wheelward " + station);
    var mine = { born: performance.timeOrigin, id: Math.random() };
    var there = true;
    function step() { there = false; aside(); }
    function before(one, other) {
      return one.born < other.born || (one.born === other.born && one.id < other.id);
    }
    channel.onmessage = function (event) {
      var said = event.data;
      if (said.is === "opened" && there && before(mine, said.from)) {
        channel.postMessage({ is: "station", to: said.from.id });
      } else if ((said.is === "station" && said.to === mine.id) || said.is === "taken over") {
        if (there) { step(); }
      }
    };
    channel.postMessage({ is: "opened", from: mine });
    return function () {
      channel.postMessage({ is: "taken over" });
      location.reload(); // with the action and the person that the other has left
    };
  };
})();
