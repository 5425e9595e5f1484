/** Read a reference table of tests/reference: '#' lines are header, numbers or words between
 * commas. */
#ifndef CANTLE_TESTS_TABLE_H
#define CANTLE_TESTS_TABLE_H

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { TABLE_COLUMNS = 24, TABLE_ROWS = 256 };

struct table {
    size_t rows;
    double cell[TABLE_ROWS][TABLE_COLUMNS];
    char initial[TABLE_ROWS][TABLE_COLUMNS]; /* first character, for cells that are words */
};

/* Fills t; returns 0 if the file cannot be read. Words read as 0. */
static inline int table_read(struct table *t, const char *name)
{
    char path[512], line[2048];
    t->rows = 0;
    snprintf(path, sizeof path, "%s/reference/%s", TESTS_DIR, name);
    FILE *f = fopen(path, "r");
    if (!f) return 0;
    while (fgets(line, sizeof line, f) && t->rows < TABLE_ROWS) {
        if (line[0] == '#') continue;
        size_t column = 0;
        for (char *word = strtok(line, ",\n"); word && column < TABLE_COLUMNS;
             word = strtok(NULL, ",\n")) {
            t->initial[t->rows][column] = *word;
            t->cell[t->rows][column++] = strtod(word, NULL);
        }
        t->rows++;
    }
    fclose(f);
    return t->rows > 0;
}

#endif
