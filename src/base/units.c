#include "base/units.h"

#include "base/words.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <udunits2.h>

/* The database is read-only once loaded and the same for everyone, so it is kept here. */
static ut_system *database;

static ut_system *get_database(struct report *rep)
{
    if (!database) {
        ut_set_error_message_handler(ut_ignore);
        database = ut_read_xml(NULL);
        if (!database && fail(rep, ST_BUG,
                              "the unit database of UDUNITS-2 cannot be read; install "
                              "libudunits2-data or set UDUNITS2_XML_PATH"))
            return NULL;
    }
    return database;
}

void units_close(void)
{
    if (database) ut_free_system(database);
    database = NULL;
}

/* UDUNITS reads leading and trailing blanks as part of the unit. */
static void trim(const char *text, char *out, size_t size)
{
    while (isspace((unsigned char)*text))
        text++;
    snprintf(out, size, "%s", text);
    for (size_t n = strlen(out); n > 0 && isspace((unsigned char)out[n - 1]); n--)
        out[n - 1] = 0;
}

enum status units_scale(const char *unit, const char *si_unit, struct unit_scale *out,
                        struct report *rep)
{
    enum status st = ST_OK;
    ut_unit *from = NULL, *to = NULL;
    cv_converter *conv = NULL;
    char clean[128];
    ut_system *sys = get_database(rep);
    if (!sys) return ST_BUG;
    trim(unit, clean, sizeof clean);
    for (const char *c = clean; *c; c++) /* UDUNITS prints what it cannot read: a newline */
        if (words_is_control(c))
            return fail(rep, ST_INPUT, "'%s' is not a unit, expected one like '%s'", clean,
                        si_unit);
    if (!*clean) return fail(rep, ST_INPUT, "no unit given, expected one like '%s'", si_unit);
    if (strcmp(clean, "deg") == 0) snprintf(clean, sizeof clean, "degree"); /* unknown to UDUNITS */
    from = ut_parse(sys, clean, UT_UTF8);
    to = ut_parse(sys, si_unit, UT_UTF8);
    if (!to) {
        st = fail(rep, ST_BUG, "'%s' is not a unit", si_unit);
        goto done;
    }
    if (!from) {
        st = fail(rep, ST_INPUT, "'%s' is not a unit that UDUNITS knows; expected one like '%s'",
                  clean, si_unit);
        goto done;
    }
    conv = ut_get_converter(from, to);
    if (!conv) {
        st = fail(rep, ST_INPUT, "unit '%s' does not fit here, expected one like '%s'", clean,
                  si_unit);
        goto done;
    }
    out->offset = cv_convert_double(conv, 0.0);
    out->factor = cv_convert_double(conv, 1.0) - out->offset;
    double two = cv_convert_double(conv, 2.0) - out->offset;
    /* "m @ 1e308" is a unit too: one metre drowns in its offset */
    if (!isnormal(out->factor) || !isfinite(out->offset))
        st = fail(rep, ST_INPUT, "unit '%s' is too large or too small to reckon with", clean);
    else if (!(fabs(two - 2 * out->factor) <=
               1e-9 * fabs(two))) /* "lg(re 1 V)" is a unit to UDUNITS */
        st = fail(rep, ST_INPUT, "unit '%s' is not linear, expected one like '%s'", clean, si_unit);
done:
    cv_free(conv);
    ut_free(from);
    ut_free(to);
    return st;
}

enum status units_quantity(const char *text, const char *si_unit, double *out, struct report *rep)
{
    char *rest;
    double number = strtod(text, &rest);
    if (rest == text)
        return fail(rep, ST_RECIPE, "'%s' does not begin with a number; write it like '1.5 %s'",
                    text, strcmp(si_unit, "1") ? si_unit : "");
    while (isspace((unsigned char)*rest))
        rest++;
    struct unit_scale scale = {1.0, 0.0};
    /* UDUNITS takes further numbers as factors: "3-5 nN" would be -15 nN */
    if (*rest && strchr("0123456789.+-", *rest))
        return fail(rep, ST_RECIPE, "'%s' is not one number and a unit; write it like '1.5 %s'",
                    text, strcmp(si_unit, "1") ? si_unit : "");
    if (*rest) {
        if (units_scale(rest, si_unit, &scale, rep) != ST_OK)
            return within(rep, ST_RECIPE, "'%s': ", text);
    } else if (strcmp(si_unit, "1") != 0) {
        return fail(rep, ST_RECIPE, "'%s' has no unit; write it like '%g %s'", text, number,
                    si_unit);
    }
    if (scale.offset != 0) return fail(rep, ST_RECIPE, "'%s': a unit with an offset", text);
    double si = scale.factor * number;
    if (!isfinite(si)) return fail(rep, ST_RECIPE, "'%s' is not a finite number", text);
    *out = si;
    return ST_OK;
}

int units_is_quantity(const char *text, const char *si_unit)
{
    struct report unused;
    double value;
    return units_quantity(text, si_unit, &value, &unused) == ST_OK;
}

enum status units_from_si(const char *si_unit, const char *unit, double *factor, struct report *rep)
{
    struct unit_scale scale;
    enum status st = units_scale(unit, si_unit, &scale, rep);
    if (st == ST_OK) *factor = 1.0 / scale.factor;
    return st;
}

/* The prefix of m2 is squared. */
static int power_of(const char *si_unit)
{
    while (isalpha((unsigned char)*si_unit))
        si_unit++;
    return *si_unit == '2' || *si_unit == '3' ? *si_unit - '0' : 1;
}

const char *units_prefix(double magnitude, const char *si_unit, double *factor)
{
    static const struct {
        double factor;
        const char *prefix;
    } prefixes[] = {{1e12, "T"}, {1e9, "G"},  {1e6, "M"},   {1e3, "k"},   {1, ""},     {1e-3, "m"},
                    {1e-6, "u"}, {1e-9, "n"}, {1e-12, "p"}, {1e-15, "f"}, {1e-18, "a"}};
    size_t last = sizeof prefixes / sizeof *prefixes - 1, i = 0;
    int power = power_of(si_unit);
    if (!(fabs(magnitude) > 0) || !isfinite(magnitude)) {
        *factor = 1;
        return "";
    }
    /* 0.9995: 999.96 would be shown as "1e+03" with three digits */
    while (i < last && fabs(magnitude) < 0.9995 * pow(prefixes[i].factor, power))
        i++;
    *factor = pow(prefixes[i].factor, power);
    return prefixes[i].prefix;
}

void units_show(double si_value, const char *si_unit, int digits, char *out, unsigned long size)
{
    double factor = 1;
    const char *prefix = strcmp(si_unit, "1") ? units_prefix(si_value, si_unit, &factor) : "";
    const char *unit = strcmp(si_unit, "1") ? si_unit : "";
    if (!isfinite(si_value))
        snprintf(out, size, "not known");
    else
        snprintf(out, size, "%.*g%s%s%s", digits, si_value / factor, *unit ? " " : "", prefix,
                 unit);
}
