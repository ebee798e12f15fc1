# What every script needs: the tables that Python wrote, and answers written back one figure a line.
# An answer that is NA is R's "not estimable"; a figure that R leaves out (or fails at) is not answered at all.

options(warn = -1, digits = 17)
folder <- commandArgs(trailingOnly = TRUE)[1]

table_of <- function(name) read.csv(file.path(folder, paste0(name, ".csv")))

sets_of <- function(name) {
  all <- table_of(name)
  split(all, all$set)
}

answers <- new.env()
answers$lines <- list()

answer <- function(set, figure, values) {
  values <- as.numeric(values)
  if (length(values)) {
    values[!is.finite(values)] <- NA
    answers$lines[[length(answers$lines) + 1]] <- data.frame(
      set = set, figure = figure, i = seq_along(values) - 1, value = sprintf("%.17g", values)
    )
  }
}

# Whatever R itself cannot compute is no answer.
attempt <- function(expression) tryCatch(expression, error = function(e) NULL)

done <- function() {
  columns <- lapply(c(set = "set", figure = "figure", i = "i", value = "value"), function(column) {
    unlist(lapply(answers$lines, `[[`, column))
  })
  write.csv(as.data.frame(columns), file.path(folder, "answers.csv"), row.names = FALSE, quote = FALSE)
}
