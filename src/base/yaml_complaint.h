/** What libcyaml has to say of a text: the first complaint, and its line. */
#ifndef CANTLE_BASE_YAML_COMPLAINT_H
#define CANTLE_BASE_YAML_COMPLAINT_H

#include "base/status.h"

#include <cyaml/cyaml.h>

struct yaml_complaint {
    char text[200];
    int line, column; /**< 0 when not told */
};

/** A configuration that collects into *into, allocates as malloc does and knows no aliases. */
cyaml_config_t yaml_listen(struct yaml_complaint *into);

/** ST_MEMORY, or ST_RECIPE "line N, column M: not a WHAT: ...". */
enum status yaml_refused(const struct yaml_complaint *c, cyaml_err_t err, const char *what,
                         struct report *rep) MUST_CHECK;

#endif
