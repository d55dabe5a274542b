// A result is painted before its scripts are read: words come first, drawings after.

requestAnimationFrame(() => requestAnimationFrame(() => import("./case.js")));
