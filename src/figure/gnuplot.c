#include "figure/gnuplot.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <spawn.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

extern char **environ;

#define SCRIPT_NAME "script.gp"
#define SAID_NAME "said.txt"
#define PICTURE_NAME "picture"

enum format { FORMAT_PNG, FORMAT_SVG, FORMAT_PDF, FORMAT_COUNT };
static const char *const endings[FORMAT_COUNT] = {".png", ".svg", ".pdf"};

static enum format format_of(const char *path)
{
    size_t n = strlen(path);
    for (int f = 0; f < FORMAT_COUNT; f++)
        if (n > 4 && strcasecmp(path + n - 4, endings[f]) == 0) return (enum format)f;
    return FORMAT_COUNT;
}

static void write_head(struct gnuplot_run *run, enum format f)
{
    /* the cairo terminals take font sizes at 96 dpi, all else at 72 */
    const double scale = 2.5, font_scale = scale * 72 / 96;
    double w = run->width_pt, h = run->height_pt;
    fprintf(run->script, "set encoding utf8\n");
    if (f == FORMAT_PNG)
        fprintf(run->script,
                "set terminal pngcairo noenhanced size %.0f,%.0f font 'Sans,%d' fontscale %g "
                "linewidth %g pointscale %g background '#ffffff'\n",
                scale * w, scale * h, GNUPLOT_FONT_PT, font_scale, scale, scale);
    if (f == FORMAT_SVG)
        fprintf(run->script,
                "set terminal svg noenhanced standalone size %.0f,%.0f font 'sans-serif,%d' "
                "background '#ffffff'\n",
                w, h, GNUPLOT_FONT_PT);
    if (f == FORMAT_PDF)
        fprintf(run->script,
                "set terminal pdfcairo noenhanced size %.4fin,%.4fin font 'Sans,%d' fontscale 0.75 "
                "linewidth 1 background '#ffffff'\n",
                w / 72, h / 72, GNUPLOT_FONT_PT);
    fprintf(run->script, "set output '" PICTURE_NAME "'\nset multiplot\n");
}

/* The temporary file beside the target also proves, before any work, that one can be made there. */
static enum status claim_target(struct gnuplot_run *run, struct report *rep)
{
    struct stat there;
    if (stat(run->path, &there) == 0 && !S_ISREG(there.st_mode))
        return fail(rep, ST_OUTPUT, "%s: is there and is not a file; choose another name",
                    run->path);
    int n = snprintf(run->part, sizeof run->part, "%s.XXXXXX", run->path);
    if (n < 0 || (size_t)n >= sizeof run->part) {
        run->part[0] = 0;
        return fail(rep, ST_OUTPUT, "the name of the figure is too long");
    }
    int fd = mkstemp(run->part);
    if (fd < 0) {
        run->part[0] = 0;
        return fail(rep, ST_OUTPUT, "%s: cannot be written: %s", run->path, strerror(errno));
    }
    close(fd);
    return ST_OK;
}

static enum status make_directory(struct gnuplot_run *run, struct report *rep)
{
    const char *base = getenv("TMPDIR");
    if (!base || *base != '/' || strlen(base) > sizeof run->dir - 32) base = "/tmp";
    snprintf(run->dir, sizeof run->dir, "%s/cantle-XXXXXX", base);
    if (mkdtemp(run->dir)) return ST_OK; /* mode 0700 by definition */
    run->dir[0] = 0;
    return fail(rep, ST_OUTPUT, "%s: no temporary directory can be made: %s; set TMPDIR", base,
                strerror(errno));
}

enum status gnuplot_begin(struct gnuplot_run *run, const char *path, double width_pt,
                          double height_pt, struct report *rep)
{
    enum status st;
    enum format f = format_of(path);
    *run = (struct gnuplot_run){.path = path, .width_pt = width_pt, .height_pt = height_pt};
    if (f == FORMAT_COUNT)
        return fail(rep, ST_USAGE, "%s: a figure's name must end in .png, .svg or .pdf", path);
    st = claim_target(run, rep);
    if (st == ST_OK) st = make_directory(run, rep);
    if (st == ST_OK) st = gnuplot_open(run, SCRIPT_NAME, &run->script, rep);
    if (st == ST_OK)
        write_head(run, f);
    else
        gnuplot_drop(run);
    return st;
}

static void name_inside(const struct gnuplot_run *run, const char *name, char out[1024])
{
    snprintf(out, 1024, "%s/%s", run->dir, name);
}

enum status gnuplot_open(const struct gnuplot_run *run, const char *name, FILE **out,
                         struct report *rep)
{
    char full[1024];
    name_inside(run, name, full);
    *out = fopen(full, "wbxe");
    return *out ? ST_OK : fail(rep, ST_OUTPUT, "%s: cannot be made: %s", full, strerror(errno));
}

enum status gnuplot_close(FILE **file, struct report *rep)
{
    if (!*file) return ST_OK;
    int bad = ferror(*file);
    bad |= fclose(*file);
    *file = NULL;
    return bad ? fail(rep, ST_OUTPUT,
                      "the figure's data cannot be written: is the disk of TMPDIR full?")
               : ST_OK;
}

/* A GNUTERM or GNUPLOT_... variable of the user must not change what is drawn. */
static char **clean_environment(void)
{
    size_t n = 0, kept = 0;
    while (environ[n])
        n++;
    char **out = malloc((n + 1) * sizeof *out);
    if (!out) return NULL;
    for (size_t i = 0; i < n; i++)
        if (strncmp(environ[i], "GNUTERM", 7) && strncmp(environ[i], "GNUPLOT", 7))
            out[kept++] = environ[i];
    out[kept] = NULL;
    return out;
}

/* *code: exit status of gnuplot, or 256 if it ended by a signal. */
static enum status spawn_and_wait(const struct gnuplot_run *run, int *code, struct report *rep)
{
    char *argv[] = {(char[]){"gnuplot"}, (char[]){"-d"}, (char[]){SCRIPT_NAME}, NULL};
    char **env = clean_environment();
    posix_spawn_file_actions_t actions;
    pid_t pid;
    int error, how;
    if (!env) return fail(rep, ST_MEMORY, "no memory to start gnuplot");
    posix_spawn_file_actions_init(&actions);
    error = posix_spawn_file_actions_addchdir_np(&actions, run->dir);
    if (!error) error = posix_spawn_file_actions_addopen(&actions, 0, "/dev/null", O_RDONLY, 0);
    if (!error) error = posix_spawn_file_actions_addopen(&actions, 1, "/dev/null", O_WRONLY, 0);
    if (!error)
        error = posix_spawn_file_actions_addopen(&actions, 2, SAID_NAME, O_WRONLY | O_CREAT, 0600);
    if (!error) error = posix_spawnp(&pid, argv[0], &actions, NULL, argv, env);
    posix_spawn_file_actions_destroy(&actions);
    free(env);
    if (error)
        return fail(rep, ST_TOOL,
                    "gnuplot cannot be started: %s; figures need it, on Debian: "
                    "apt-get install gnuplot-nox",
                    strerror(error));
    while (waitpid(pid, &how, 0) < 0)
        if (errno != EINTR) return fail(rep, ST_TOOL, "gnuplot was lost: %s", strerror(errno));
    *code = WIFEXITED(how) ? WEXITSTATUS(how) : 256;
    return ST_OK;
}

/* gnuplot repeats the command and points at the place with a caret before it says, on a line with
 * "line N:", what is wrong. Without such a line the first one that says anything is taken. */
static void first_words(const struct gnuplot_run *run, char *out, size_t size)
{
    char full[1024], line[384];
    int found = 0;
    name_inside(run, SAID_NAME, full);
    FILE *f = fopen(full, "re");
    snprintf(out, size, "it gave no reason");
    while (f && found < 2 && fgets(line, sizeof line, f)) {
        line[strcspn(line, "\r\n")] = 0;
        int better = strstr(line, "line ") ? 2 : line[strspn(line, " ^")] ? 1 : 0;
        if (better > found) snprintf(out, size, "%s", line);
        if (better > found) found = better;
    }
    if (f) fclose(f);
}

static int copy_all(int from, int to)
{
    char block[65536];
    ssize_t n;
    while ((n = read(from, block, sizeof block)) > 0)
        for (ssize_t done = 0, w; done < n; done += w)
            if ((w = write(to, block + done, (size_t)(n - done))) < 0) return -1;
    return n < 0 ? -1 : fsync(to);
}

/* mkstemp makes files that only the owner can read; a figure is like any other file. */
static mode_t usual_mode(void)
{
    mode_t mask = umask(0);
    umask(mask);
    return 0666 & ~mask;
}

static enum status publish(struct gnuplot_run *run, struct report *rep)
{
    enum status st = ST_OK;
    char full[1024];
    int to = -1;
    name_inside(run, PICTURE_NAME, full);
    int from = open(full, O_RDONLY | O_CLOEXEC);
    if (from < 0) return fail(rep, ST_TOOL, "gnuplot ran but drew nothing");
    to = open(run->part, O_WRONLY | O_TRUNC | O_CLOEXEC);
    int bad = to < 0 || copy_all(from, to) || fchmod(to, usual_mode());
    int why = errno;
    if (to >= 0 && close(to) && !bad) bad = 1, why = errno;
    close(from);
    if (!bad && rename(run->part, run->path)) bad = 1, why = errno;
    if (bad)
        st = fail(rep, ST_OUTPUT, "%s: cannot be written: %s", run->path, strerror(why));
    else
        run->part[0] = 0;
    return st;
}

enum status gnuplot_finish(struct gnuplot_run *run, struct report *rep)
{
    int code = 0;
    char words[384];
    fprintf(run->script, "unset multiplot\nunset output\n");
    enum status st = gnuplot_close(&run->script, rep);
    if (st == ST_OK) st = spawn_and_wait(run, &code, rep);
    if (st == ST_OK && code != 0) {
        first_words(run, words, sizeof words);
        /* posix_spawnp may report a program that is not there only by this status */
        st = code == 127 ? fail(rep, ST_TOOL,
                                "gnuplot cannot be started; figures need it, on Debian: "
                                "apt-get install gnuplot-nox")
                         : fail(rep, ST_TOOL, "gnuplot failed: %s", words);
    }
    if (st == ST_OK) st = publish(run, rep);
    gnuplot_drop(run);
    return st;
}

static void remove_directory(const char *dir)
{
    DIR *d = opendir(dir);
    struct dirent *e;
    while (d && (e = readdir(d)))
        if (strcmp(e->d_name, ".") && strcmp(e->d_name, "..")) unlinkat(dirfd(d), e->d_name, 0);
    if (d) closedir(d);
    rmdir(dir);
}

void gnuplot_drop(struct gnuplot_run *run)
{
    if (run->script) fclose(run->script);
    run->script = NULL;
    if (run->part[0]) unlink(run->part);
    run->part[0] = 0;
    if (run->dir[0]) remove_directory(run->dir);
    run->dir[0] = 0;
}
