#include "base/yaml_complaint.h"

#include <stdio.h>
#include <string.h>

/* The place follows the first complaint in libcyaml's trace. */
static void listen(cyaml_log_t level, void *context, const char *format, va_list args)
{
    struct yaml_complaint *c = context;
    char text[200];
    int line, column;
    if (level < CYAML_LOG_ERROR) return;
    vsnprintf(text, sizeof text, format, args);
    if (!*c->text) memcpy(c->text, text, sizeof text);
    const char *at = strstr(text, "(line: ");
    if (!c->line && at && sscanf(at, "(line: %d, column: %d)", &line, &column) == 2) {
        c->line = line;
        c->column = column;
    }
}

cyaml_config_t yaml_listen(struct yaml_complaint *into)
{
    *into = (struct yaml_complaint){"", 0, 0};
    return (cyaml_config_t){.log_fn = listen,
                            .log_ctx = into,
                            .log_level = CYAML_LOG_ERROR,
                            .mem_fn = cyaml_mem,
                            .flags = CYAML_CFG_NO_ALIAS};
}

enum status yaml_refused(const struct yaml_complaint *c, cyaml_err_t err, const char *what,
                         struct report *rep)
{
    if (err == CYAML_ERR_OOM) return fail(rep, ST_MEMORY, "no memory to read YAML");
    char text[200];
    snprintf(text, sizeof text, "%s", c->text);
    text[strcspn(text, "\n")] = 0;
    return fail(rep, ST_RECIPE, "line %d, column %d: not a %s: %s (%s)", c->line, c->column, what,
                text, cyaml_strerror(err));
}
