// Passkeys (Web Authentication Level 2): the form holds what the server asks, the browser's answer goes back in it.
(() => {
  "use strict";
  const bytes = (text) => Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (c) => c.charCodeAt(0));
  const words = (buffer) => btoa(String.fromCharCode(...new Uint8Array(buffer))).replace(/\+/g, "-").replace(/\//g, "_").replace(/=+$/, "");
  const listed = (all) => (all || []).map((one) => ({ ...one, id: bytes(one.id) }));

  const create = async (asked) => {
    const made = await navigator.credentials.create({
      publicKey: {
        ...asked,
        challenge: bytes(asked.challenge),
        user: { ...asked.user, id: bytes(asked.user.id) },
        excludeCredentials: listed(asked.excludeCredentials),
      },
    });
    return [made, { attestationObject: words(made.response.attestationObject) }];
  };
  const get = async (asked) => {
    const made = await navigator.credentials.get({
      publicKey: { ...asked, challenge: bytes(asked.challenge), allowCredentials: listed(asked.allowCredentials) },
    });
    const { authenticatorData, signature, userHandle } = made.response;
    return [made, {
      authenticatorData: words(authenticatorData),
      signature: words(signature),
      userHandle: userHandle ? words(userHandle) : null,
    }];
  };

  document.querySelectorAll("form[data-passkey]").forEach((form) => {
    const trouble = form.querySelector("[data-trouble]");
    const say = (text) => { trouble.textContent = text; trouble.hidden = false; };
    form.addEventListener("submit", async (event) => {
      if (form.elements.credential.value) return;
      event.preventDefault();
      trouble.hidden = true;
      if (!window.PublicKeyCredential) {
        say("This browser knows no passkeys, or the address is not one for them. Use a code.");
        return;
      }
      try {
        const asked = JSON.parse(form.dataset.options).publicKey;
        const [made, answer] = await (form.dataset.passkey === "create" ? create(asked) : get(asked));
        form.elements.credential.value = JSON.stringify({
          id: made.id,
          rawId: words(made.rawId),
          type: made.type,
          authenticatorAttachment: made.authenticatorAttachment || null,
          clientExtensionResults: made.getClientExtensionResults(),
          response: { clientDataJSON: words(made.response.clientDataJSON), ...answer },
        });
        form.requestSubmit();
      } catch (problem) {
        say(problem.name === "InvalidStateError" ? "This device has a passkey here already." : "No passkey was given. Try again, or use a code.");
      }
    });
  });
})();
