// What was scanned and not yet answered, on this device's own disk (IndexedDB). A scan counts
// as kept only when the browser says that it lies there, so that a killed browser loses none.
// Numbers are given out in the same transaction: two windows of one station share them.
(function () {
  "use strict";

  function done(transaction, value) {
    return new Promise(function (resolve, reject) {
      transaction.oncomplete = function () { resolve(value()); };
      transaction.onabort = transaction.onerror = function () { reject(transaction.error); };
    });
  }
  function Outbox(db, station) {
    this.db = db;
    this.station = station;
  }
  Outbox.open = function (station) {
    return new Promise(function (resolve, reject) {
      var asked = window.indexedDB.open("wheelward", 1);
      asked.onupgradeneeded = function () {
        asked.result.createObjectStore("scans", { keyPath: ["station", "seq"] });
        asked.result.createObjectStore("numbers");
      };
      asked.onerror = function () { reject(asked.error); };
      asked.onsuccess = function () { resolve(new Outbox(asked.result, station)); };
    });
  };
  Outbox.prototype.begin = function () {
    return this.db.transaction(["scans", "numbers"], "readwrite", { durability: "strict" });
  };
  Outbox.prototype.mine = function () {
    return window.IDBKeyRange.bound([this.station, 0], [this.station, Infinity]);
  };
  // The number that is free, but none below `least`.
  function number(transaction, station, least, use) {
    var numbers = transaction.objectStore("numbers");
    var asked = numbers.get(station);
    asked.onsuccess = function () {
      var next = Math.max(asked.result || 1, least);
      numbers.put(next + use(next), station);
    };
  }
  // Keeps a scan under the next number, instead of another one if `instead` names it.
  Outbox.prototype.add = function (scan, least, instead) {
    var transaction = this.begin();
    scan.station = this.station;
    number(transaction, this.station, least, function (next) {
      var scans = transaction.objectStore("scans");
      if (instead) { scans.delete([scan.station, instead]); }
      scan.seq = next;
      scans.put(scan);
      return 1;
    });
    return done(transaction, function () { return scan; });
  };
  // Every scan that is kept, oldest first.
  Outbox.prototype.all = function () {
    var transaction = this.db.transaction("scans");
    var asked = transaction.objectStore("scans").getAll(this.mine());
    return done(transaction, function () { return asked.result; });
  };
  Outbox.prototype.forget = function (seqs) {
    var transaction = this.begin();
    var station = this.station;
    seqs.forEach(function (seq) { transaction.objectStore("scans").delete([station, seq]); });
    return done(transaction, function () { return seqs; });
  };
  // Gives every kept scan a new number: the server has seen others under theirs.
  Outbox.prototype.renumber = function (least) {
    var transaction = this.begin();
    var scans = transaction.objectStore("scans");
    var asked = scans.getAll(this.mine());
    var station = this.station;
    asked.onsuccess = function () {
      number(transaction, station, least, function (next) {
        var become = {};
        asked.result.forEach(function (scan, nth) { become[scan.seq] = next + nth; });
        asked.result.forEach(function (scan) { scans.delete([station, scan.seq]); });
        asked.result.forEach(function (scan) {
          scan.seq = become[scan.seq];
          scan.undoes = become[scan.undoes] || scan.undoes;
          scans.put(scan);
        });
        return asked.result.length;
      });
    };
    return done(transaction, function () { return asked.result; });
  };
  window.Outbox = Outbox;
})();
