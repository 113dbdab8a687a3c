// One page: predict, observe, explain. Nothing is sent or kept; what was answered can be saved as a file or printed.
const record = new Map(); // question -> { text, given, verdict, tries }

function showLesson(data) {
  const { words, mark } = data, number = writer(mark);
  const rotated = (list, by) => list.map((_, k) => list[(k + by) % list.length]);
  let seat = 1;

  // A question as a form; `done` is told of each answer that counts. A prediction is taken as it is, once.
  function ask(form, question, { once = false, done = () => {} } = {}) {
    const said = make("p", { className: "said" });
    said.setAttribute("role", "status");
    const button = make("button", { type: "submit", textContent: once ? words.predict : words.check });
    const answers = make("fieldset");
    let chosen;
    if (question.choices.length) {
      answers.append(make("legend", { textContent: question.text }));
      const by = [...question.name].reduce((sum, one) => sum + one.charCodeAt(0), seat) % question.choices.length;
      for (const choice of rotated(question.choices, by)) {
        const input = make("input", { type: "radio", name: `${question.name}`, value: choice.text });
        answers.append(make("label", { className: "choice" }, input, ` ${choice.text}`));
      }
      chosen = () => question.choices.find(one => one.text === (answers.querySelector("input:checked") || {}).value);
    } else {
      answers.append(make("label", {}, make("span", { textContent: question.text }), make("input", { type: "text", autocomplete: "off", spellcheck: false, placeholder: words.number_and_unit })));
    }
    form.replaceChildren(answers, button, said);
    form.onsubmit = event => {
      event.preventDefault();
      const before = record.get(question.name) || { tries: 0 };
      let result, given;
      if (chosen) {
        const one = chosen();
        if (!one) return void (said.textContent = words.choose);
        given = one.text;
        result = { verdict: one.right ? "right" : "slip", says: one.says };
      } else {
        given = answers.querySelector("input").value.trim();
        result = check(question, given, words, mark);
      }
      if (result.verdict === "again") return void (said.textContent = result.says);
      const tries = before.tries + 1;
      record.set(question.name, { text: question.text, given, verdict: result.verdict, tries, prediction: once });
      if (once) { answers.disabled = true; button.hidden = true; said.textContent = words.noted; }
      else {
        said.textContent = `${result.verdict === "right" ? "✓" : "✗"} ${result.says}`;
        if (result.verdict === "right" || tries >= 3) said.append(make("span", { className: "why", textContent: ` ${question.why}` }));
      }
      done(result, given);
    };
  }

  // Controls of a step as inputs; `moved` is called with all their values, once a frame at most.
  function controlsOf(fieldset, step, moved) {
    const values = {};
    let waiting = false;
    const change = () => { if (waiting) return; waiting = true; requestAnimationFrame(() => { waiting = false; moved({ ...values }, true); }); };
    for (const one of step.controls) {
      if (one.options.length) {
        const select = make("select", {}, ...one.options.map(([value, text]) => make("option", { value, textContent: text })));
        values[one.name] = one.options[0][0];
        select.oninput = () => { values[one.name] = select.value; change(); };
        fieldset.append(make("label", { className: "control" }, make("span", { textContent: one.label }), select));
        continue;
      }
      const limits = { min: one.low, max: one.high, step: one.step, value: one.start };
      const slider = make("input", { type: "range", ...limits }), typed = make("input", { type: "number", ...limits });
      slider.dataset.control = one.name;
      typed.setAttribute("aria-label", `${one.label}, ${one.unit}`);
      slider.setAttribute("aria-valuetext", `${number(one.start)} ${one.unit}`);
      values[one.name] = one.start;
      const set = value => {
        if (!(value >= one.low && value <= one.high)) return;
        values[one.name] = value;
        slider.value = value;
        if (document.activeElement !== typed) typed.value = value.toFixed(one.digits);
        slider.setAttribute("aria-valuetext", `${number(value)} ${one.unit}`);
        change();
      };
      slider.oninput = () => set(slider.valueAsNumber);
      // A finger that scrolls the page over a slider does not move it.
      let held = one.start;
      slider.onpointerdown = () => { held = values[one.name]; };
      slider.onpointercancel = () => set(held);
      typed.oninput = () => set(typed.valueAsNumber);
      typed.onblur = () => { typed.value = values[one.name].toFixed(one.digits); };
      fieldset.append(make("div", { className: "control" }, make("label", {}, make("span", { textContent: one.label }), slider), typed, ` ${one.unit}`));
    }
    return values;
  }

  for (const step of data.steps) {
    const section = document.getElementById(`step-${step.name}`), part = name => section.querySelector(name);
    const fieldset = part(".controls"), read = part(".read"), compare = part(".compare");
    let draw = null, verdict = null;
    const moved = (values, byHand) => {
      if (!draw) return;
      writeTerms(read, draw(values));
      if (byHand) compare.disabled = false;
    };
    const values = controlsOf(fieldset, step, moved);
    fieldset.disabled = true;
    ask(part("form.predict"), step.predict, { once: true, done: result => {
      verdict = result;
      part(".observe").hidden = false;
      fieldset.disabled = false;
      draw = FIGURES[step.figure](part(".figure"), step, data.edition, words, number);
      moved(values, false);
      (fieldset.querySelector("input, select") || fieldset).focus({ preventScroll: true });
    } });
    compare.onclick = () => {
      const said = part(".verdict"), { given } = record.get(step.predict.name);
      part(".explain").hidden = false;
      said.textContent = `${words.predicted} ${given}. ${verdict.verdict === "right" ? "✓" : "✗"} ${verdict.says} ${step.predict.why}`;
    };
    step.then.forEach((question, k) => ask(section.querySelectorAll("form.then")[k], question));
  }

  const tasks = document.getElementById("tasks"), seats = document.getElementById("seat");
  const layTasks = () => tasks.replaceChildren(...data.variants[seat - 1].map(question => {
    const form = make("form", { className: "task" });
    ask(form, { ...question, text: `${words.levels[question.level - 1]}: ${question.text}` });
    return form;
  }));
  seats.oninput = () => { seat = Number(seats.value); data.variants[seat - 1].forEach(one => record.delete(one.name)); layTasks(); };
  layTasks();

  const results = () => {
    const told = [...record.values()].map(one => [one.text, `  ${one.prediction ? words.prediction : words.answer}: ${one.given}  (${words[`is_${one.verdict}`]}, ${one.tries})`].join("\n"));
    const name = document.getElementById("pupil").value.trim();
    return [data.title, `${words.name}: ${name}`, `${words.seat}: ${seat}`, new Date().toLocaleString(data.language), "", ...told].join("\n");
  };
  document.getElementById("save").onclick = () => {
    const link = make("a", { href: URL.createObjectURL(new Blob([results(), "\n"], { type: "text/plain" })), download: `${data.name}_${document.getElementById("pupil").value.trim().replace(/[^\p{L}\p{N}]+/gu, "_") || seat}.txt` });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  };
  document.getElementById("print").onclick = () => print();
  window.lesson = { bench: (load, set) => bench(data.edition, load, set).found, least: (load, set) => { const b = bench(data.edition, load, set); return currentAgainst(b.mains, b.alone).least; },
    dutyCycle: (set, room) => dutyCycle({ ...data.edition.cabinet, ...set }, room), runCabinet: (set, room, hours, period) => { const r = runCabinet({ ...data.edition.cabinet, ...set }, room, hours, period); return { inside: [...r.inside], on: [...r.on] }; },
    logged: (samples, inrush) => [...meansOver(logged(data.edition.cabinet, 22, 12, inrush), samples)], yearlyKwh, clampReads: (which, set, multiplier) => clampReads(data.edition, typeof which === "string" ? conductorsOf(data.edition, which, set) : which, multiplier), parse: text => parse(text, mark), check: (question, text) => check(question, text, words, mark), data, results };
}
