// Shows the service's own description with files from the service alone; nothing is fetched from elsewhere.
window.addEventListener("load", () => {
  window.SwaggerUIBundle({
    url: "/openapi.json",
    dom_id: "#docs",
    deepLinking: true,
    validatorUrl: null,
    defaultModelsExpandDepth: 0,
    displayRequestDuration: true,
    persistAuthorization: true,
  });
});
