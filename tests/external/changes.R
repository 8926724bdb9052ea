# Asked by test_changes_in_r.py: Student's interval of either arm and Welch's of the difference, by t.test.
folder <- commandArgs(trailingOnly = TRUE)[1]
told <- read.csv(file.path(folder, "changes.csv"))
one <- function(own) {
  a <- own$change[own$arm == 0]
  b <- own$change[own$arm == 1]
  both <- t.test(a, b, conf.level = 0.95)
  data.frame(
    comparison = own$comparison[1], value = mean(a) - mean(b), low = both$conf.int[1], high = both$conf.int[2],
    low_a = t.test(a)$conf.int[1], high_a = t.test(a)$conf.int[2]
  )
}
found <- do.call(rbind, lapply(split(told, told$comparison), one))
write.csv(format(found, digits = 15), file.path(folder, "changes_by_r.csv"), row.names = FALSE, quote = FALSE)
