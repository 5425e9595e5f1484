/** What a reader of a report should know before believing it. */
#ifndef CANTLE_COMMAND_REPORT_CAUTIONS_H
#define CANTLE_COMMAND_REPORT_CAUTIONS_H

#include "report/report.h"

/** Lines on the map file itself: unfinished, rejected, doubtful, uncertainty. Errors: ST_MEMORY. */
enum status report_caution_maps(struct html_report *r, const struct maps_view *view,
                                struct report *rep) MUST_CHECK;

#endif
