/* Fits thermal spectra of raw records: standard input holds float64 records of N samples.
 *   thermal N RATE_HZ < records
 * One line a record: area, u(ln area), resonance, its relative u, quality, its relative u, misfit
 * score, equivalent degrees of freedom. Run by thermal.py. */
#include "calibration/oscillator.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

int main(int argc, char **argv)
{
    if (argc != 3) return 2;
    size_t n = strtoul(argv[1], NULL, 10);
    double *x = malloc(n * sizeof *x);
    struct oscillator_wish wish = {NAN, NAN, NAN};
    while (x && fread(x, sizeof *x, n, stdin) == n) {
        struct records r = {x, n, 1, strtod(argv[2], NULL)};
        struct spectrum s;
        struct oscillator o;
        struct report rep = {""};
        enum status st = oscillator_from_records(&r, &wish, &s, &o, &rep);
        spectrum_free(&s);
        if (st != ST_OK) {
            fprintf(stderr, "%s\n", rep.text);
            printf("nan nan nan nan nan nan nan nan\n");
            continue;
        }
        printf("%.10g %.6g %.10g %.6g %.10g %.6g %.4g %.4g\n", o.value[OSC_area],
               sqrt(o.covariance[OSC_area][OSC_area]), o.value[OSC_resonance],
               sqrt(o.covariance[OSC_resonance][OSC_resonance]), o.value[OSC_quality],
               sqrt(o.covariance[OSC_quality][OSC_quality]), o.misfit_score, o.degrees_of_freedom);
    }
    free(x);
    return 0;
}
