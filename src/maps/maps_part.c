/* PATH.part between its making and its finish: opened, saved, closed, read back. */
#include "maps/maps_private.h"

#include "base/output_file.h"
#include "base/watch.h"
#include "maps/agree.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

const char *maps_part_path(const struct maps *m)
{
    return m->part;
}

enum status maps_enter_run(struct maps *m, int fd, const struct maps_origin *origin,
                           struct report *rep)
{
    struct run_row row;
    int ranks, rc = 0;
    const size_t i = run_row_of(m->owner.run);
    MPI_Comm_size(m->comm, &ranks);
    run_row_fill(&row, origin->command_line, ranks);
    if (owner_claim(fd, m->places.owner, &m->owner) != 0) rc = -1;
    for (int c = 0; c < RUN_COLUMN_COUNT && rc == 0; c++) {
        const size_t bytes = run_columns[c].bytes;
        rc = place_write(fd, row.text[c], bytes, m->places.runs[c] + i * bytes);
    }
    if (rc == 0) rc = fdatasync(fd);
    return rc == 0 ? ST_OK
                   : fail(rep, ST_OUTPUT, "%s cannot be written: %s", m->part, strerror(errno));
}

static enum status open_alone(struct maps *m, struct report *rep)
{
    m->finishing = output_side_name(m->path, "finishing", m->owner.token[1]);
    if (!m->finishing) return fail(rep, ST_MEMORY, "not enough memory to write %s", m->path);
    m->fd = open(m->part, O_WRONLY | O_CLOEXEC);
    if (m->fd < 0) return fail(rep, ST_OUTPUT, "%s cannot be opened: %s", m->part, strerror(errno));
    /* what was read or written before must not be in the way, see maps_private.h */
    posix_fadvise(m->fd, 0, 0, POSIX_FADV_DONTNEED);
    return owner_check(m->part, m->fd, m->places.owner, &m->owner, rep);
}

enum status maps_open_part(struct maps *m, struct report *rep)
{
    watch_enter();
    MPI_Bcast(&m->places, (int)sizeof m->places, MPI_BYTE, 0, m->comm);
    MPI_Bcast(&m->owner, (int)sizeof m->owner, MPI_BYTE, 0, m->comm);
    watch_leave();
    return agree(m->comm, open_alone(m, rep), rep);
}

enum status maps_close_part(struct maps *m, struct report *rep)
{
    if (m->fd < 0) return ST_OK;
    enum status st = maps_checkpoint(m, rep);
    if (st == ST_OK && fdatasync(m->fd) != 0) /* the states of the last checkpoint as well */
        st = fail(rep, ST_OUTPUT, "%s cannot be written: %s", m->part, strerror(errno));
    if (close(m->fd) != 0 && st == ST_OK)
        st = fail(rep, ST_OUTPUT, "%s cannot be written: %s", m->part, strerror(errno));
    m->fd = -1;
    return st;
}

enum status maps_read_planes(const struct maps *m, float *modulus, uint8_t *state,
                             uint16_t *run_of_pixel, struct report *rep)
{
    const size_t n = m->layout.ny * m->layout.nx;
    int fd = open(m->part, O_RDONLY | O_CLOEXEC), error = 0;
    if (fd < 0) return fail(rep, ST_OUTPUT, "%s cannot be opened: %s", m->part, strerror(errno));
    if ((modulus &&
         place_read(fd, modulus, n * sizeof *modulus, m->places.value[MAP_modulus]) != 0) ||
        (state && place_read(fd, state, n, m->places.state) != 0) ||
        (run_of_pixel &&
         place_read(fd, run_of_pixel, n * sizeof *run_of_pixel, m->places.run_of_pixel) != 0))
        error = errno;
    posix_fadvise(fd, 0, 0, POSIX_FADV_DONTNEED);
    close(fd);
    return error ? fail(rep, ST_OUTPUT, "%s cannot be read back: %s", m->part, strerror(error))
                 : ST_OK;
}
