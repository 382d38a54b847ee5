// The room's page. It shows what the bench sends and sends what is answered; it draws nothing.
"use strict";

(() => {
  const by = (id) => document.getElementById(id);

  // The page on which the code is typed. A code behind the address's # never leaves the browser
  // by itself: it is put into the form.
  const code = by("code");
  if (code !== null) {
    const given = decodeURIComponent(location.hash.slice(1));
    if (/^[A-Za-z0-9]{4,12}$/.test(given) && by("refused") === null) {
      code.value = given;
      history.replaceState(null, "", location.pathname);
      code.form.submit();
    }
    return;
  }

  const picture = by("picture"), state = by("state"), told = by("told");
  const TOLD_EVERY_MS = 6000; // a voice that reads ten pings a second reads none to its end
  const SOONEST_MS = 500, LATEST_MS = 8000;
  let line = null, over = false, again_ms = SOONEST_MS, toldAt = -Infinity;

  const say = (words, isOver) => {
    if (state.textContent !== words) state.textContent = words;
    state.classList.toggle("over", isOver);
  };
  const send = (message) => {
    if (line !== null && line.readyState === WebSocket.OPEN) line.send(JSON.stringify(message));
  };
  const made = (name, words, kind) => {
    const element = document.createElement(name);
    if (words) element.textContent = words;
    if (kind) element.className = kind;
    return element;
  };

  const showWords = (frame) => {
    by("head").textContent = frame.head;
    by("lines").replaceChildren(...frame.lines.map((words) => made("li", words)));
    if (!over) say(frame.ending || "Live", frame.ending !== "");
    const now = performance.now();
    if (frame.ending || now - toldAt > TOLD_EVERY_MS) {
      toldAt = now;
      told.textContent = [frame.ending, frame.head, ...frame.lines].filter(Boolean).join(". ");
    }
  };

  const showFrame = async (bytes) => {
    const length = new DataView(bytes).getUint32(0);
    const frame = JSON.parse(new TextDecoder().decode(new Uint8Array(bytes, 4, length)));
    const inside = new Blob([new Uint8Array(bytes, 4 + length)], { type: "image/png" });
    const before = picture.src;
    picture.src = URL.createObjectURL(inside);
    try { await picture.decode(); } catch { /* the next one comes */ }
    if (before.startsWith("blob:")) URL.revokeObjectURL(before);
    picture.hidden = false;
    showWords(frame);
    document.body.dataset.seen = frame.number;
    // The next one is sent when this one is seen: a slow page gets fewer, and none late.
    send({ seen: frame.number });
  };

  // What is asked

  const put = (element, words) => {
    element.hidden = words === "";
    if (element.textContent !== words) element.textContent = words;
  };

  const newQuestion = (question) => {
    const box = made("fieldset");
    box.dataset.key = question.key;
    const form = made("form");
    box.append(made("legend", question.text));
    if (question.picture) {
      const drawn = made("img");
      drawn.src = `/asked/${encodeURIComponent(question.key)}.png`;
      drawn.alt = question.picture;
      const large = made("a"); // by itself a telephone can make it as large as it likes
      large.href = drawn.src;
      large.target = "_blank";
      large.append(drawn);
      box.append(large);
    }
    if (question.choices.length > 0) {
      question.choices.forEach((choice, place) => {
        const label = made("label", "", "choice"), input = made("input");
        input.type = "radio";
        input.name = question.key;
        input.value = choice;
        input.checked = choice === question.answer;
        input.id = `${question.key}-${place}`;
        label.append(input, made("span", choice));
        form.append(label);
      });
    } else {
      const row = made("label", "", "row"), input = made("input");
      input.type = "text";
      // Not "decimal": some telephones' number pads have no minus, and no letters for "62 cm".
      input.inputMode = "text";
      input.autocomplete = "off";
      input.maxLength = 80;
      input.value = question.answer;
      row.append(made("span", "A number"), input, made("span", question.unit));
      form.append(row);
    }
    form.append(made("button", "Send"));
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const chosen = form.querySelector("input[type=radio]:checked");
      const typed = form.querySelector("input[type=text]");
      const answer = (typed !== null ? typed.value : chosen === null ? "" : chosen.value).trim();
      if (answer !== "") send({ key: question.key, answer });
    });
    box.append(form, made("p", "", "own"), made("p", "", "said"));
    return box;
  };

  const showQuestion = (box, question) => {
    const unit = question.unit ? ` ${question.unit}` : "";
    put(box.querySelector(".own"), question.answer ? `Your answer: ${question.answer}${unit}` : "");
    put(box.querySelector(".said"), question.said);
    const button = box.querySelector("button");
    put(button, question.answer ? "Change" : "Send");
    for (const each of box.querySelectorAll("input, button")) each.disabled = !question.open;
    button.hidden = !question.open;
  };

  const showAsked = (asked) => {
    const section = by("asked");
    section.hidden = asked === null;
    by("legend").hidden = asked !== null; // it is of a ping's echoes, and nothing else
    if (asked === null) {
      by("questions").replaceChildren();
      return;
    }
    put(by("heading"), asked.heading);
    put(by("words"), asked.words);
    by("naming").hidden = !asked.asks_nickname;
    if (document.activeElement !== by("nickname")) by("nickname").value = asked.nickname;
    const old = new Map([...by("questions").children].map((box) => [box.dataset.key, box]));
    const boxes = asked.questions.map((question) => {
      const box = old.get(question.key) || newQuestion(question);
      showQuestion(box, question);
      return box;
    });
    // Only where others are asked: what is put anew loses the keyboard's place in it.
    const same = boxes.length === old.size && boxes.every((box) => old.has(box.dataset.key));
    if (!same) {
      by("questions").replaceChildren(...boxes);
      by("said").textContent = ""; // it was of the question before
    }
    by("own").hidden = !asked.own;
  };

  by("naming").addEventListener("submit", (event) => {
    event.preventDefault();
    send({ nickname: by("nickname").value.trim() });
  });

  const larger = by("larger");
  larger.addEventListener("click", () => {
    const large = picture.classList.toggle("large");
    larger.textContent = large ? "Whole picture" : "Full size";
  });

  // The line to the bench

  const take = (message) => {
    if (message.asked !== undefined) showAsked(message.asked);
    if (message.said !== undefined) put(by("said"), message.said);
    if (message.over !== undefined) {
      over = true;
      say(message.over, true);
      told.textContent = message.over;
      for (const each of by("asked").querySelectorAll("input, button")) each.disabled = true;
    }
  };

  const open = () => {
    line = new WebSocket(`ws://${location.host}/line`);
    line.binaryType = "arraybuffer";
    line.onopen = () => {
      again_ms = SOONEST_MS;
      by("rejoin").hidden = true;
      say("Joined", false);
    };
    line.onmessage = (event) => {
      if (typeof event.data === "string") take(JSON.parse(event.data));
      else showFrame(event.data);
    };
    line.onclose = (event) => {
      if (over) return;
      if (event.code === 4001) {
        say("Open in another tab of this browser: go on there", true);
        return;
      }
      if (event.code === 4002) {
        say("The room is full, or this page sent too much: tell your teacher", true);
        return;
      }
      say("No line to the bench: trying again …", true);
      by("rejoin").hidden = false;
      setTimeout(open, again_ms);
      again_ms = Math.min(2 * again_ms, LATEST_MS);
    };
  };
  open();
})();
