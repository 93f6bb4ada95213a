// What mouse, fingers, wheel and keys do on the plots. The caller gives move(view) to look at another range, and the strips.

const least = 0.02; // seconds; nothing is read more often than to be told apart there

export function listen(strips, look) {
  const surface = strips.surface;
  const pointers = new Map();
  let drag = null; // { from, x } of a range that is being chosen
  let pinch = null; // { a, b } instants under two fingers

  // zoom makes the range so many times as long, around an instant that stays where it is.
  const zoom = (times, around) => {
    const { from, to } = strips.view;
    const span = Math.max(least, (to - from) * times);
    const part = (around - from) / (to - from);
    look(around - part * span, around + (1 - part) * span);
  };
  const pan = (part) => {
    const { from, to } = strips.view;
    look(from + part * (to - from), to + part * (to - from));
  };

  surface.addEventListener("pointerdown", (e) => {
    if (e.pointerType === "mouse" && e.button !== 0) return;
    pointers.set(e.pointerId, e.clientX);
    if (e.pointerType === "mouse") {
      surface.setPointerCapture(e.pointerId);
      drag = { from: strips.point(e.clientX), x: e.clientX };
      strips.cursor.focus({ preventScroll: true });
      e.preventDefault();
    }
    strips.place(strips.point(e.clientX));
    if (pointers.size === 2) pinch = [...pointers.values()].map((x) => strips.point(x));
  });
  surface.addEventListener("pointermove", (e) => {
    if (pointers.has(e.pointerId)) pointers.set(e.pointerId, e.clientX);
    if (pinch && pointers.size === 2) {
      spread([...pointers.values()]);
      return;
    }
    if (e.pointerType === "mouse" || pointers.has(e.pointerId)) strips.place(strips.point(e.clientX), false);
    if (drag && Math.abs(e.clientX - drag.x) > 4) strips.stretch(drag.from, strips.point(e.clientX));
  });
  // spread keeps the two instants under the two fingers.
  const spread = ([x0, x1]) => {
    const box = surface.getBoundingClientRect();
    if (Math.abs(x1 - x0) < 12) return;
    const perPixel = (pinch[1] - pinch[0]) / (x1 - x0);
    if (!(perPixel > 0)) return;
    const { from, to } = strips.view;
    const scale = (strips.point(box.right) - strips.point(box.left)) / (to - from);
    const span = Math.max(least, (perPixel * box.width) / scale);
    const times = span / (to - from);
    const start = pinch[0] - (strips.point(x0) - from) * times;
    look(start, start + span);
  };
  const up = (e) => {
    pointers.delete(e.pointerId);
    if (pointers.size < 2) pinch = null;
    strips.choice.hidden = true;
    if (!drag) return;
    const [from, to] = [drag.from, strips.point(e.clientX)].sort((a, b) => a - b);
    const far = Math.abs(e.clientX - drag.x) > 4;
    drag = null;
    if (far && e.type === "pointerup") look(from, Math.max(to, from + least));
  };
  surface.addEventListener("pointerup", up);
  surface.addEventListener("pointercancel", up);
  surface.addEventListener("dblclick", (e) => zoom(0.4, strips.point(e.clientX)));

  // The page scrolls by wheel until somebody has clicked on the plots; trackpads pinch by a wheel with Ctrl.
  surface.addEventListener("wheel", (e) => {
    if (!e.ctrlKey && document.activeElement !== strips.cursor) return;
    e.preventDefault();
    if (Math.abs(e.deltaX) > Math.abs(e.deltaY)) pan(e.deltaX / surface.clientWidth);
    else zoom(Math.exp(Math.max(-60, Math.min(60, e.deltaY)) * (e.ctrlKey ? 0.012 : 0.004)), strips.point(e.clientX));
  }, { passive: false });

  const move = (part) => {
    const { from, to } = strips.view;
    strips.place(strips.at + part * (to - from));
  };
  const keys = {
    ArrowLeft: (e) => (e.shiftKey ? pan(-0.25) : move(-1 / 200)),
    ArrowRight: (e) => (e.shiftKey ? pan(0.25) : move(1 / 200)),
    PageUp: () => move(-1 / 10),
    PageDown: () => move(1 / 10),
    Home: () => strips.place(strips.view.from),
    End: () => strips.place(strips.view.to),
    "+": () => zoom(0.5, strips.at),
    "=": () => zoom(0.5, strips.at),
    "-": () => zoom(2, strips.at),
    0: () => look(strips.whole.from, strips.whole.to),
    Escape: () => {
      drag = null;
      strips.choice.hidden = true;
    },
  };
  strips.cursor.addEventListener("keydown", (e) => {
    if (e.altKey || e.metaKey || e.ctrlKey || !keys[e.key]) return;
    e.preventDefault();
    keys[e.key](e);
  });

  return {
    earlier: () => pan(-0.5),
    later: () => pan(0.5),
    closer: () => zoom(0.5, strips.at),
    further: () => zoom(2, strips.at),
    all: () => look(strips.whole.from, strips.whole.to),
  };
}
