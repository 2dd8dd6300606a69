// The form that asks for the token. What is typed goes to the daemon and nowhere else.
import { S } from "./strings.js";
import { field, h } from "./dom.js";
import { Trouble, post, world } from "./net.js";

export function open(main) {
  return new Promise((done) => {
    const token = h("input", { type: "password", autocomplete: "current-password", required: true });
    const box = field(S.login.token, token);
    const form = h("form", { class: "login" }, h("h1", {}, S.login.heading), h("p", {}, S.login.why), box, h("button", { class: "main" }, S.login.go));
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      try {
        world.session = await post("/api/v1/session", { token: token.value });
        done();
      } catch (error) {
        box.wrong(error instanceof Trouble && error.code === "too-many-tries" ? S.login.wait(error.wait ?? "") : error.message);
      }
      token.value = "";
    });
    main.replaceChildren(form);
    token.focus();
  });
}
