#include "study/run.h"

#include "base/clock.h"
#include "base/signals.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <signal.h>
#include <spawn.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

extern char **environ;

/* --- files of the study's own --- */

/* All folders on the way that are not there yet. */
static enum status make_folder(const char *path, struct report *rep)
{
    char part[PATH_MAX];
    if (strlen(path) >= sizeof part) return fail(rep, ST_OUTPUT, "folder: its name is too long");
    for (size_t i = 1; i <= strlen(path); i++) {
        if (path[i] != '/' && path[i] != 0) continue;
        memcpy(part, path, i);
        part[i] = 0;
        if (mkdir(part, 0777) != 0 && errno != EEXIST)
            return fail(rep, ST_OUTPUT, "%s: this folder cannot be made: %s", part,
                        strerror(errno));
    }
    struct stat facts;
    if (stat(path, &facts) != 0 || !S_ISDIR(facts.st_mode))
        return fail(rep, ST_OUTPUT, "%s: is there and is not a folder", path);
    return ST_OK;
}

static enum status write_text(const char *path, const char *text, struct report *rep)
{
    FILE *file = fopen(path, "we");
    bool good = file && fputs(text, file) >= 0;
    if (file && fclose(file) != 0) good = false;
    return good ? ST_OK : fail(rep, ST_OUTPUT, "%s: cannot be written: %s", path, strerror(errno));
}

enum status study_prepare(const struct study *s, struct report *rep)
{
    enum status st = make_folder(s->folder, rep);
    for (size_t i = 0; i < s->n && st == ST_OK; i++) {
        char *text = NULL;
        if (!s->volume[i].own_recipe) continue;
        st = study_recipe_text(s, &s->volume[i], &text, rep);
        if (st == ST_OK) st = write_text(s->volume[i].recipe, text, rep);
        free(text);
    }
    return st;
}

/* "lists are cut at tabs" */
static bool has_tab(const char *text)
{
    return strchr(text, '\t') != NULL || strchr(text, '\n') != NULL;
}

static bool put_whole(FILE *out, const char *path, char end)
{
    char here[PATH_MAX];
    if (*path != '/' && !getcwd(here, sizeof here)) return false;
    if (*path != '/') fprintf(out, "%s/", here);
    return !has_tab(path) && fprintf(out, "%s%c", path, end) > 0;
}

enum status study_write_list(const struct study *s, char path[4096], struct report *rep)
{
    int used = snprintf(path, 4096, "%s/volumes.tsv", s->folder);
    FILE *file = used > 0 && used < 4096 ? fopen(path, "we") : NULL;
    bool good = file != NULL;
    for (size_t i = 0; i < s->n && good; i++)
        good = put_whole(file, s->volume[i].recipe, '\t') &&
               put_whole(file, s->volume[i].volume, '\t') &&
               put_whole(file, s->volume[i].maps, '\n');
    if (file && fclose(file) != 0) good = false;
    return good ? ST_OK
                : fail(rep, ST_OUTPUT, "%s: cannot be written (%s), or a name holds a tab", path,
                       strerror(errno));
}

/* --- one process --- */

/* This process is one of MPI itself: what its launcher told it is not for its children. */
static char **clean_environment(void)
{
    static const char *const launcher[] = {"PMI_",  "PMI2_",         "PMIX_", "MPI_LOCAL",
                                           "HYDI_", "HYDRA_CONTROL", "MPIR_"};
    size_t n = 0, kept = 0;
    while (environ[n])
        n++;
    char **out = malloc((n + 1) * sizeof *out);
    for (size_t i = 0; out && i < n; i++) {
        bool keep = true;
        for (size_t k = 0; k < sizeof launcher / sizeof *launcher; k++)
            if (strncmp(environ[i], launcher[k], strlen(launcher[k])) == 0) keep = false;
        if (keep) out[kept++] = environ[i];
    }
    if (out) out[kept] = NULL;
    return out;
}

/* What is said while a volume is at work: which one, and what its own log said last. */
struct waiting {
    FILE *out; /* NULL = silent */
    bool terminal, any;
    double started_s, shown_s, interval_s;
    size_t number, total;
    const char *volume, *log;
};

static void waiting_begin(struct waiting *w, FILE *out)
{
    w->out = out;
    w->terminal = out && isatty(fileno(out));
    w->interval_s = w->terminal ? 2.0 : 30.0; /* a volume's log has a line each 30 s too */
    w->started_s = w->shown_s = clock_s();
}

/* "  12 %  1234 of 9216 pixels  ..." of the log; "" if there is none yet. */
static void latest_progress(const char *log, char *out, size_t size)
{
    char line[300];
    FILE *file = fopen(log, "re");
    *out = 0;
    while (file && fgets(line, sizeof line, file)) {
        line[strcspn(line, "\n")] = 0;
        if (strstr(line, " %  ") && strstr(line, " left")) snprintf(out, size, ": %s", line);
    }
    if (file) fclose(file);
}

static void waiting_show(struct waiting *w)
{
    char latest[320];
    double now = clock_s();
    if (!w->out || now - w->shown_s < w->interval_s) return;
    latest_progress(w->log, latest, sizeof latest);
    fprintf(w->out, "%s%zu of %zu  %s, for %.0f s%s%s", w->terminal ? "\r" : "", w->number,
            w->total, w->volume, now - w->started_s, latest, w->terminal ? "\033[K" : "\n");
    fflush(w->out);
    w->shown_s = now;
    w->any = true;
}

static void waiting_end(const struct waiting *w)
{
    if (w->out && w->any && w->terminal) fputs("\r\033[K", w->out), fflush(w->out);
}

/* Wait; a signal that asks this process to stop is passed on once. @return exit status, 128 +
 * signal */
static int wait_for(pid_t pid, struct waiting *w)
{
    int how;
    bool told = false;
    for (;;) {
        struct timespec moment = {0, 20000000};
        pid_t ended = waitpid(pid, &how, WNOHANG);
        if (ended == pid) return WIFEXITED(how) ? WEXITSTATUS(how) : 128 + WTERMSIG(how);
        if (ended < 0 && errno != EINTR) return 127;
        waiting_show(w);
        if (!told && signals_caught()) {
            kill(pid, SIGTERM);
            told = true;
        }
        nanosleep(&moment, NULL);
    }
}

static enum status start(char *const argv[], struct waiting *w, int *code, struct report *rep)
{
    posix_spawn_file_actions_t actions;
    pid_t pid;
    char **env = clean_environment();
    if (!env) return fail(rep, ST_MEMORY, "not enough memory to start %s", argv[0]);
    posix_spawn_file_actions_init(&actions);
    int error = posix_spawn_file_actions_addopen(&actions, 0, "/dev/null", O_RDONLY, 0);
    if (!error)
        error = posix_spawn_file_actions_addopen(&actions, 1, w->log, O_WRONLY | O_CREAT | O_TRUNC,
                                                 0666);
    if (!error) error = posix_spawn_file_actions_adddup2(&actions, 1, 2);
    if (!error) error = posix_spawnp(&pid, argv[0], &actions, NULL, argv, env);
    posix_spawn_file_actions_destroy(&actions);
    free(env);
    if (error)
        return fail(rep, ST_TOOL, "%s cannot be started, or its log %s not be written: %s", argv[0],
                    w->log, strerror(error));
    *code = wait_for(pid, w);
    waiting_end(w);
    return ST_OK;
}

/* What the log says: the message of a failure, and whether there was nothing to do. */
static void read_log(const char *log, bool *kept, char *why, size_t size)
{
    char line[1200];
    static const char sign[] = "cantle map: ";
    FILE *file = fopen(log, "re");
    *kept = false;
    *why = 0;
    while (file && fgets(line, sizeof line, file)) {
        line[strcspn(line, "\n")] = 0;
        const char *message = strstr(line, sign);
        if (message) snprintf(why, size, "%s", message + strlen(sign));
        if (strstr(line, "is finished already")) *kept = true;
    }
    if (file) fclose(file);
}

static enum status map_one(const struct study_volume *v, const struct study_run *run,
                           struct waiting *w, const char *self, struct study_outcome *out,
                           struct report *rep)
{
    char ranks[16], *argv[16], mpiexec[] = "mpiexec", dash_n[] = "-n", map[] = "map",
                               resume[] = "--resume", overwrite[] = "--overwrite", dash_o[] = "-o",
                               end[] = "--";
    size_t n = 0;
    bool kept;
    int code = 0;
    snprintf(ranks, sizeof ranks, "%d", run->ranks);
    if (run->ranks > 1) {
        argv[n++] = mpiexec;
        argv[n++] = dash_n;
        argv[n++] = ranks;
    }
    argv[n++] = (char *)self;
    argv[n++] = map;
    argv[n++] = resume;
    if (run->overwrite) argv[n++] = overwrite;
    argv[n++] = dash_o;
    argv[n++] = v->maps;
    argv[n++] = end;
    argv[n++] = v->recipe;
    argv[n++] = v->volume;
    argv[n] = NULL;
    enum status st = start(argv, w, &code, rep);
    if (st != ST_OK) return st;
    read_log(v->log, &kept, out->why, sizeof out->why);
    if (code == 127 && run->ranks > 1 && !*out->why)
        return fail(rep, ST_TOOL,
                    "mpiexec cannot be started; it comes with MPICH (jobs/install.sh)");
    bool rejected = code == status_exit(ST_ALL_REJECTED);
    out->fate = code == 0 && kept ? FATE_KEPT
                : code == 0       ? FATE_MAPPED
                : rejected        ? FATE_REJECTED
                                  : FATE_FAILED;
    if (out->fate == FATE_FAILED && !*out->why)
        snprintf(out->why, sizeof out->why, "ended with status %d; see %.500s", code, v->log);
    return ST_OK;
}

static const char *const fate_words[] = {[FATE_MISSING] = "missing",
                                         [FATE_MAPPED] = "mapped",
                                         [FATE_KEPT] = "kept: finished and unchanged",
                                         [FATE_REJECTED] = "mapped, but every pixel was rejected",
                                         [FATE_FAILED] = "FAILED"};

enum status study_map_all(const struct study *s, const struct study_run *run,
                          struct study_outcome *outcome, struct report *rep)
{
    char self[PATH_MAX];
    ssize_t length = readlink("/proc/self/exe", self, sizeof self - 1);
    if (length < 0)
        return fail(rep, ST_TOOL, "this program does not find itself: %s", strerror(errno));
    self[length] = 0;
    signals_watch(status_exit(ST_STOPPED));
    for (size_t i = 0; i < s->n; i++) {
        const struct study_volume *v = &s->volume[i];
        struct waiting w = {.number = i + 1, .total = s->n, .volume = v->volume, .log = v->log};
        waiting_begin(&w, run->progress);
        enum status st = map_one(v, run, &w, self, &outcome[i], rep);
        if (st != ST_OK) return st;
        if (run->tell) {
            fprintf(run->tell, "%zu of %zu  %s: %s%s%s\n", i + 1, s->n, v->volume,
                    fate_words[outcome[i].fate], *outcome[i].why ? ": " : "", outcome[i].why);
            fflush(run->tell);
        }
        if (signals_caught())
            return fail(rep, ST_STOPPED,
                        "stopped by %s after %zu of %zu volumes; the same command goes on",
                        signals_name(signals_caught()), i, s->n);
    }
    return ST_OK;
}
